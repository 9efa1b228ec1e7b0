"""Marks of simulated pieces by level, on every built-in exercise of the cavities, accesses, implants and bridges.

`python benchmarks/levels.py` prints the table of `docs/levels.md`; `--results FOLDER` keeps what was measured, so that a run that was
stopped goes on and a changed weight, limit or pass line is marked again without measuring. Everything in it is simulated.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from kerfmark.demo.implant_work import write_simulated_plan
from kerfmark.demo.learners import simulated_piece
from kerfmark.exercise import builtin
from kerfmark.exercise.builtin.implants import ImplantSpec
from kerfmark.marking import mark, rule
from kerfmark.pipeline import assess_prepared, open_exercise
from kerfmark.records import Mark, Reading
from kerfmark.settings import Settings, read_settings

LEVELS = ("able", "middle", "novice")
FAMILIES = ("cavity", "caries", "access", "implant", "bridge")
SEEDS = 5


def names() -> tuple[str, ...]:
    """The built-in exercises of these families."""
    return tuple(name for name in builtin.names() if name.startswith(FAMILIES))


def measured(exercise: str, level: str, seed: int, *, settings: Settings) -> list[dict[str, Any]]:
    """The readings that the exercise's criteria ask for, as plain values."""
    loaded, prepared = open_exercise(exercise, settings=settings)
    spec = builtin.spec_of(exercise)
    with tempfile.TemporaryDirectory() as folder:
        if isinstance(spec, ImplantSpec) and spec.makes == "plan":
            file, beside = Path(folder) / "plan.toml", dict[str, Path]()
            write_simulated_plan(file, spec, level=level, seed=seed, settings=settings)
        else:
            file = Path(folder) / "piece.stl"
            beside = simulated_piece(exercise, level=level, seed=seed, settings=settings).write(file)
        found = assess_prepared(loaded, prepared, file, neighbours=beside, settings=settings)
    wanted = {c.reading for c in loaded.exercise.criteria}
    return [
        {
            "id": r.id,
            "where": r.where,
            "stat": r.stat,
            "value": r.value,
            "unit": r.unit,
            "u": r.u,
            "status": r.status,
            "reason": r.reason,
        }
        for r in found.readings
        if r.id in wanted
    ]


def marked(exercise: str, readings: list[dict[str, Any]], *, settings: Settings) -> tuple[Mark, tuple[str, ...]]:
    """The mark by the exercise as it stands, and what was not met."""
    loaded, _prepared = open_exercise(exercise, settings=settings)
    taken = [Reading(**values) for values in readings]
    rulings = rule(taken, loaded.exercise.criteria, loaded.exercise.pass_)
    failed = tuple(
        " ".join(part for part in (r.reading.partition(".")[2], r.where) if part)
        for r in rulings
        if r.ruling == "not met"
    )
    return mark(rulings, loaded.exercise.pass_), failed


def kept(folder: Path | None, exercise: str, level: str, seed: int, *, settings: Settings) -> list[dict[str, Any]]:
    """As `measured`, read back where it was kept."""
    file = None if folder is None else folder / f"{exercise}-{level}-{seed}.json"
    if file is not None and file.exists():
        found: list[dict[str, Any]] = json.loads(file.read_text())
        return found
    found = measured(exercise, level, seed, settings=settings)
    if file is not None:
        file.write_text(json.dumps(found))
    return found


def rows(exercises: tuple[str, ...], seeds: int, folder: Path | None, *, settings: Settings) -> Iterator[str]:
    """A line of the table for each exercise: marks of each level, lowest first, with what became of them."""
    for exercise in exercises:
        cells = []
        for level in LEVELS:
            marks = [
                marked(exercise, kept(folder, exercise, level, seed, settings=settings), settings=settings)[0]
                for seed in range(seeds)
            ]
            shown = sorted(m.percent or 0.0 for m in marks)
            counts = {o: sum(m.outcome == o for m in marks) for o in ("pass", "refer", "fail")}
            cells.append(
                f"{', '.join(f'{p:.0f}' for p in shown)} | {counts['pass']} · {counts['refer']} · {counts['fail']}"
            )
        yield f"| `{exercise}` | {' | '.join(cells)} |"


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--seeds", type=int, default=SEEDS)
    ask.add_argument("--results", type=Path)
    ask.add_argument("exercises", nargs="*", default=names())
    given = ask.parse_args()
    if given.results is not None:
        given.results.mkdir(parents=True, exist_ok=True)
    print("| exercise | able: marks | pass · refer · fail | middle: marks | p · r · f | novice: marks | p · r · f |")
    print("|---|---|---|---|---|---|---|")
    for line in rows(tuple(given.exercises), given.seeds, given.results, settings=read_settings()):
        print(line, flush=True)


if __name__ == "__main__":
    main()
