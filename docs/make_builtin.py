"""Write `docs/builtin.md`: every built-in exercise, its criteria, and where each limit comes from."""

from __future__ import annotations

from math import isinf
from pathlib import Path

from kerfmark.exercise import builtin
from kerfmark.exercise.builtin.accesses import AccessSpec, access_rules, has_floor
from kerfmark.exercise.builtin.blocks import BlockSpec
from kerfmark.exercise.builtin.bridges import BridgeSpec, abutted, bridge_rules
from kerfmark.exercise.builtin.cavities import CavitySpec
from kerfmark.exercise.builtin.cavity_rules import RULES
from kerfmark.exercise.builtin.criteria import Rule, block_rules, crown_rules, line_rules
from kerfmark.exercise.builtin.crowns import CrownSpec, reduced_sites
from kerfmark.exercise.builtin.implants import ImplantSpec, bed_rules, plan_rules
from kerfmark.pipeline import open_exercise
from kerfmark.settings import read_settings

HEAD = """# The built-in exercises

Made by the project's own generators (`exercise/builtin/`), kept as ordinary exercise folders in the cache: copy one, change its
`exercise.toml`, and it is yours. Limits come from published values where there are any; *weak* marks course notes, *memory* a value recalled and
not re-read, *practice* ordinary teaching practice. Every one is a setting, none is a law: local rules come first.

This page is written by `docs/make_builtin.py`.
"""


def main() -> None:
    """Write the page."""
    parts = [HEAD, *(section(name) for name in builtin.names())]
    Path(__file__).with_name("builtin.md").write_text("\n".join(parts), encoding="utf-8")


def section(name: str) -> str:
    """One exercise."""
    lines = [
        f"\n## {builtin.title(name)} (`{name}`)\n",
        "| reading | where | limits | weight | source |",
        "|---|---|---|---|---|",
    ]
    lines += [row(rule) for rule in rules_of(name)]
    return "\n".join(lines)


def rules_of(name: str) -> list[Rule]:
    """The rules the exercise was written from, in its order."""
    spec = builtin.spec_of(name)
    if isinstance(spec, ImplantSpec):
        return bed_rules() if spec.makes == "bed" else plan_rules()
    if isinstance(spec, AccessSpec):
        from kerfmark.anatomy.tooth import tooth

        made = tooth(spec.fdi, cache_dir=read_settings().cache_dir)
        return access_rules(spec, orifices=tuple(made.orifices), floored=has_floor(made))
    if isinstance(spec, BridgeSpec):
        loaded, _ = open_exercise(name, settings=read_settings())
        abutments = abutted(spec, cache_dir=read_settings().cache_dir)
        return bridge_rules(abutments, neighbours=tuple(loaded.exercise.subject.neighbours))
    if isinstance(spec, CavitySpec):
        return RULES[spec.rules]
    if not isinstance(spec, CrownSpec):
        return (
            block_rules(layer="box", depth_mm=spec.depth_mm)
            if isinstance(spec, BlockSpec)
            else line_rules(depth_mm=spec.depth_mm)
        )
    loaded, _ = open_exercise(name, settings=read_settings())
    present = {site.name for site in loaded.exercise.sites}
    from kerfmark.anatomy.tooth import tooth

    functional, other = (
        [n for n in names if n in present] for names in reduced_sites(tooth(spec.fdi), front=spec.front)
    )
    return crown_rules(spec.rules, functional=functional, nonfunctional=other, front=spec.front)


def row(rule: Rule) -> str:
    """One criterion."""
    where = " ".join(x for x in (rule.where, rule.stat) if x) or "–"
    critical = " (critical)" if rule.critical else ""
    return f"| `{rule.reading}` | {where} | {limits(rule)}{critical} | {rule.weight:g} | {rule.source} |"


def limits(rule: Rule) -> str:
    """As a person reads them."""
    low, high = rule.limits
    if isinf(low):
        return f"≤ {high:g}"
    return f"≥ {low:g}" if isinf(high) else f"{low:g} to {high:g}"


if __name__ == "__main__":
    main()
