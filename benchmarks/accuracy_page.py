"""Writes docs/accuracy.md from the rows that benchmarks/accuracy.py measured."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

Rows = list[dict[str, str]]

WITHIN = 1.96
UNIT_LENGTH, UNIT_ANGLE = "µm", "°"


class Found(NamedTuple):
    """One reading of one piece: its error and u, and whether its truth stands where the scale ends."""

    error: float
    u: float
    at_end: bool


def found(row: dict[str, str]) -> Found:
    """A truth within 1.96 u of its scale's end counts as standing there: errors beyond it cannot be read."""
    error, u = float(row["error"]), float(row["u"])
    at_end = row["end"] != "" and abs(float(row["truth"]) - float(row["end"])) < WITHIN * u
    return Found(error, u, at_end)


def page(measured: Sequence[tuple[Any, Rows]]) -> str:
    """The whole page; a sweep without rows is left out."""
    done = [(sweep, rows) for sweep, rows in measured if rows]
    text = [INTRODUCTION]
    for family in dict.fromkeys(sweep.family for sweep, _ in done):
        own = [(s, r) for s, r in done if s.family == family]
        text += [f"## {family.capitalize()}", ""]
        table = main_table(*own[0])
        text += [*table[:2], *REMARKS.get(family, ()), *table[2:], *end_table(own[0][1])]
        if family == "crown":
            text += by_design(own[0][1]) + by_quadrant(own[0][1])
        if len(own) > 1:
            text += sweep_table(own)
    return "\n".join(text).rstrip() + "\n"


def scale_of(name: str) -> tuple[float, str]:
    """By what a reading is multiplied in the tables, and the unit that makes."""
    if name.endswith("_deg"):
        return 1.0, UNIT_ANGLE
    if name.endswith("_um"):
        return 1.0, UNIT_LENGTH
    if name.endswith("_mm"):
        return 1e3, UNIT_LENGTH
    return 1e3, {"mm3": "10⁻³ mm³", "mm2": "10⁻³ mm²"}.get(name.rpartition("_")[2], "10⁻³")


def asked_of(name: str) -> str:
    return {"_deg": "0.3", "_mm": "20"}.get(name[name.rfind("_") :], "–")


def shown_name(key: tuple[str, str]) -> str:
    return f"`{key[0]}`" + (f" {key[1]}" if key[1] else "")


def grouped(rows: Rows, *, at_end: bool) -> dict[tuple[str, str], list[Found]]:
    groups: dict[tuple[str, str], list[Found]] = defaultdict(list)
    for row in rows:
        if row["error"] and (one := found(row)).at_end == at_end:
            groups[row["id"], row["stat"]].append(one)
    return groups


def number(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"


def covered(group: list[Found], factor: float) -> float:
    return 100.0 * float(np.mean([abs(f.error) <= factor * f.u for f in group]))


def within_95(group: list[Found]) -> float:
    return float(np.quantile([abs(f.error) for f in group], 0.95))


def main_table(sweep: Any, rows: Rows) -> list[str]:
    missing: dict[str, int] = defaultdict(int)
    for row in rows:
        missing[row["id"]] += not row["error"]
    pieces = 1 + max(int(row["piece"]) for row in rows)
    lines = [f"{pieces} pieces, {sweep}.", ""]
    lines += ["| reading | unit | n | bias | sd | 95 % within | worst | asked | mean u | covered, % | not measured |"]
    lines += ["|---|---|---|---|---|---|---|---|---|---|---|"]
    for key, group in grouped(rows, at_end=False).items():
        by, unit = scale_of(key[0])
        error = by * np.array([f.error for f in group])
        numbers = (error.mean(), error.std(), by * within_95(group), np.abs(error).max())
        shown = " | ".join(number(float(n)) for n in numbers)
        u = number(by * float(np.mean([f.u for f in group])))
        cells = (shown_name(key), unit, len(group), shown, asked_of(key[0]), u, f"{covered(group, WITHIN):.1f}")
        lines.append("| " + " | ".join(map(str, cells)) + f" | {missing[key[0]]} |")
    return [*lines, "", *together(rows), ""]


def together(rows: Rows) -> list[str]:
    """Coverage of all readings with a truth away from the end of a scale."""
    every = [f for group in grouped(rows, at_end=False).values() for f in group]
    held = sum(abs(f.error) <= WITHIN * f.u for f in every)
    return [f"Together {held:,} of {len(every):,} intervals hold the truth: {100.0 * held / max(len(every), 1):.1f} %."]


def end_table(rows: Rows) -> list[str]:
    groups = grouped(rows, at_end=True)
    if not groups:
        return []
    lines = ["Readings whose truth stands at an end of their scale (see above):", ""]
    lines += ["| reading | unit | n | at the end | 95 % within | worst | mean u | covered, % |"]
    lines += ["|---|---|---|---|---|---|---|---|"]
    for key, group in groups.items():
        by, unit = scale_of(key[0])
        none = 100.0 * float(np.mean([abs(f.error) < 1e-9 for f in group]))
        worst, u = max(abs(f.error) for f in group), float(np.mean([f.u for f in group]))
        shown = " | ".join(number(by * n) for n in (within_95(group), worst, u))
        lines.append(
            f"| {shown_name(key)} | {unit} | {len(group)} | {none:.0f} % | {shown} | {covered(group, WITHIN):.1f} |"
        )
    return [*lines, ""]


def errors_where(rows: Rows, test: Callable[[dict[str, str]], bool]) -> np.ndarray:
    return np.array([float(r["error"]) for r in rows if r["error"] and test(r)])


def by_design(rows: Rows) -> list[str]:
    """Convergence from 2 to 40°, and the lengths, by what was built."""
    lines = ["By what was built (convergence in °, height and median width in µm, largest error of all):", ""]
    lines += ["| built | convergence: bias | sd | worst | height: sd | worst | width: sd | worst |"]
    lines += ["|---|---|---|---|---|---|---|---|"]
    wanted = (("crown.total_occlusal_convergence_deg", "", 1.0), ("crown.height_mm", "", 1e3))
    wanted += (("crown.finish_line_width_mm", "median", 1e3),)
    for blank in dict.fromkeys(r["blank"] for r in rows):
        cells: list[str] = []
        for i, (name, stat, by) in enumerate(wanted):
            error = by * errors_where(
                rows, lambda r, b=blank, n=name, s=stat: (r["blank"], r["id"], r["stat"]) == (b, n, s)
            )
            if len(error):
                cells += ([number(float(error.mean()))] if i == 0 else []) + [number(float(error.std()))]
                cells.append(number(float(np.abs(error).max())))
        if cells:
            lines.append(f"| {blank} | " + " | ".join(cells) + " |")
    return [*lines, ""]


def by_quadrant(rows: Rows) -> list[str]:
    """Each wall's taper where no two walls are alike: a side taken for another would be off by degrees."""
    lines = ["One stump without two like walls, cut in a tooth of each quadrant: taper built and mean read, °:", ""]
    lines += ["| tooth | buccal | mesial | lingual | distal |", "|---|---|---|---|---|"]
    for blank in dict.fromkeys(r["blank"] for r in rows if r["blank"].startswith("leaning")):
        cells = []
        for wall in ("buccal", "mesial", "lingual", "distal"):
            own = [r for r in rows if (r["blank"], r["id"], r["where"]) == (blank, "crown.taper_deg", wall)]
            error = errors_where(own, lambda _: True)
            cells.append(f"{float(own[0]['truth']):.2f}: {float(own[0]['truth']) + float(error.mean()):.2f}")
        lines.append(f"| {blank.rpartition(' ')[2]} | " + " | ".join(cells) + " |")
    return [*lines, ""]


def sweep_table(own: Sequence[tuple[Any, Rows]]) -> list[str]:
    """95 % of errors and coverage in every condition."""
    tables = [grouped(rows, at_end=False) for _, rows in own]
    heads = [f"{s.noise_um:g} µm, {s.edge_mm:g} mm, {s.trueness_um:g} µm" for s, _ in own]
    counts = [1 + max(int(row["piece"]) for row in rows) for _, rows in own]
    lines = [
        "Other noise, triangles and trueness (in this order in the heads, with how many pieces): 95 % of the errors"
    ]
    lines += ["lie within the first number; the second is how many of a hundred intervals hold the truth.", ""]
    lines += ["| reading | unit | " + " | ".join(f"{h} ({n})" for h, n in zip(heads, counts, strict=True)) + " |"]
    lines += ["|---|---|" + "---|" * len(own)]
    for key in tables[0]:
        by, unit = scale_of(key[0])
        cells = []
        for table in tables:
            group = table.get(key, [])
            cells.append(f"{number(by * within_95(group))}; {covered(group, WITHIN):.0f}" if len(group) > 9 else "–")
        lines.append(f"| {shown_name(key)} | {unit} | " + " | ".join(cells) + " |")
    every = [[abs(f.error) <= WITHIN * f.u for group in table.values() for f in group] for table in tables]
    held = [f"; {100.0 * float(np.mean(e)):.1f}" if e else "–" for e in every]
    lines.append("| all together | | " + " | ".join(held) + " |")
    return [*lines, ""]


REMARKS: dict[str, tuple[str, ...]] = {}
"""What must be known of the rows of a family; to be taken out when they are measured anew."""

INTRODUCTION = """# Accuracy

Phantoms with known answers, cut as booleans of solids by a route the measuring code does not share, meshed in even triangles as a
scanner's, scanned with noise (simulated), placed with an alignment error drawn from its covariance (0.3 mrad and 3 µm), and measured.
Written by

    python benchmarks/accuracy.py

which measures what is not measured yet, piece by piece, and can be cut off and called again (`--table` only writes this page).

*Asked* is what is asked of angles, widths and depths at 10 µm noise and 0.1 mm triangles; of volumes it is 0.5 %. *Covered* is how many of a
hundred intervals ± 1.96 u hold the truth: 92 to 98 is meant. Counted over n pieces it lies off by up to 200 √(0.0475 / n) per cent by chance: 3
over 200 pieces, 6 over 50; readings at several places of one piece share its errors. Other noise (0, 30, 50 µm), triangles (0.05, 0.2 mm) and
trueness (15 µm) are sweeps of the same command and stand in a table of their own once they are measured; a sweep that is not there was not run.
How the budgets compare with simulated repeats (JCGM 101) stands in [two routes to an uncertainty](monte-carlo.md).

**At the end of a scale** a truth can be missed on one side only: no damage, a margin without a gap, a width whose 95th percentile is its median
because it is the same all round. Where the truth lies within 1.96 u of such an end, the reading counts in a table of its own: how
often it stands exactly at the end, and how many intervals ± 1.96 u hold the truth. More than 98 there is no fault: what is cut off at the
end cannot err, and u says what might have hidden.
"""
