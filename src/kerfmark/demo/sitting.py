"""One invented sitting: simulated learners cut a crown, everything is assessed and reported, truth stands beside the readings."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from kerfmark.compute import PieceJob, assess_many
from kerfmark.demo.hands import LEVELS
from kerfmark.demo.learners import Key, SimulatedPiece, simulated_piece
from kerfmark.errors import InputError, printable
from kerfmark.kernels.ahead import start_compiling
from kerfmark.pipeline import open_exercise
from kerfmark.records import Assessment
from kerfmark.reports.overview import SittingRow, write_overview
from kerfmark.settings import Settings

__all__ = ["EXERCISE", "SCHOOL", "run"]

EXERCISE = "full-crown-46"
SCHOOL = "Ellisgarth School of Dentistry (invented)"
SITTING = "Crown practice, group B"
RECORDED_EVERY = 8
"""Every so many learners one sits at a rig that records the tool; the others' pieces are scanned."""


@dataclass(frozen=True, slots=True)
class Made:
    """One learner's piece on disk, and what was truly cut."""

    code: str
    level: str
    faults: tuple[str, ...]
    truth: Mapping[Key, float]
    piece: Path
    neighbours: Mapping[str, Path]

    @property
    def source(self) -> str:
        """What the reports call where it came from."""
        return "simulated motion" if self.piece.suffix == ".parquet" else "simulated scan"


def run(out: Path, *, learners: int, seed: int, settings: Settings, say: Callable[[str], None]) -> None:
    """Run the sitting and write it to a folder.

    Parameters
    ----------
    out : path
        Made if it is not there; `pieces/`, `reports/` and `overview.html` are written in it.
    learners : int
        As many of each level as fit, the first levels getting the odd ones.
    seed : int
    settings : Settings
    say : callable
        Called with each line for the person.

    Raises
    ------
    InputError
        If `out` is a file, or its folder is missing.
    """
    began = time.monotonic()
    pieces, reports = _folders(out)
    say(f"{SCHOOL}: {SITTING}. Everything here is invented and every piece is simulated.")
    say(f"preparing the exercise {EXERCISE} …")
    start_compiling(settings.threads)
    loaded = open_exercise(EXERCISE, settings=settings)[0]
    say(f"cutting {learners} simulated pieces, every {RECORDED_EVERY}th recorded at a rig and the others scanned …")
    made = _cut_all(pieces, learners=learners, seed=seed, settings=settings)
    say("assessing them and writing the reports …")
    assessed, failures = _assess_all(made, reports, settings=settings, say=say)
    say("")
    for line in truth_lines(made, assessed):
        say(line)
    overview = out / "overview.html"
    write_overview(overview, _rows(made, assessed, failures), loaded, title=SITTING, school=SCHOOL, simulated=True)
    say("")
    say(
        f"{learners} pieces in {time.monotonic() - began:.0f} s. Look first at {overview}; each learner's report stands in {reports}."
    )


def _folders(out: Path) -> tuple[Path, Path]:
    if out.exists() and not out.is_dir():
        raise InputError(f"--out {printable(out)} is a file, expected a folder to write to. Name another.")
    if not out.absolute().parent.is_dir():
        raise InputError(
            f"--out {printable(out)}: the folder it would stand in does not exist. Make that first or name another."
        )
    pieces, reports = out / "pieces", out / "reports"
    for folder in (pieces, reports):
        folder.mkdir(parents=True, exist_ok=True)
    return pieces, reports


def _cut_all(folder: Path, *, learners: int, seed: int, settings: Settings) -> list[Made]:
    levels = list(LEVELS)
    tasks = [
        (f"P-{n + 1:02d}", levels[n * len(levels) // learners], 1000 * seed + n, folder, settings)
        for n in range(learners)
    ]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max(1, min(settings.threads, learners)), mp_context=context) as pool:
        return list(pool.map(_cut_one, tasks))


def _cut_one(task: tuple[str, str, int, Path, Settings]) -> Made:
    code, level, seed, folder, settings = task
    if (int(code.removeprefix("P-")) % RECORDED_EVERY) == 0:
        return _record_one(code, level, seed, folder, settings)
    simulated: SimulatedPiece = simulated_piece(EXERCISE, level=level, seed=seed, settings=settings)
    path = folder / f"{code}.ply"
    beside = simulated.write(path)
    return Made(code, level, simulated.faults, simulated.truth, path, beside)


def _record_one(code: str, level: str, seed: int, folder: Path, settings: Settings) -> Made:
    """A piece from a rig: what is known of it is the plan the operator was after, not what a trembling hand then cut."""
    from kerfmark.demo.operators import write_simulated_motion

    path = folder / f"{code}.parquet"
    hand = "left" if seed % 10 == 0 else "right"
    simulated = write_simulated_motion(path, EXERCISE, level=level, seed=seed, settings=settings, hand=hand)
    return Made(code, level, simulated.faults, {}, path, {})


def _assess_all(
    made: Sequence[Made], reports: Path, *, settings: Settings, say: Callable[[str], None]
) -> tuple[dict[str, Assessment], dict[str, str]]:
    """What was assessed, and for the rest the sentence that says why not."""
    from kerfmark.outputs import write_whole
    from kerfmark.reports.results import as_json_text

    jobs = [
        PieceJob(
            m.piece, m.neighbours, html=reports / f"{m.code}.html", pdf=reports / f"{m.code}.pdf",
            labels={"piece": m.code, "learner": f"{m.level} hand", "source": m.source, "sitting": SITTING, "school": SCHOOL},
        )
        for m in made
    ]  # fmt: skip
    assessed: dict[str, Assessment] = {}
    failures: dict[str, str] = {}
    for result in assess_many(EXERCISE, jobs, settings=settings):
        code = made[result.index].code
        if result.assessment is None:
            failures[code] = result.failure or "no reason was given"
            say(f"  {code}  not assessed: {failures[code]}")
            continue
        assessed[code] = result.assessment
        write_whole(reports / f"{code}.json", as_json_text(result.assessment).encode())
    return assessed, failures


def _rows(made: Sequence[Made], assessed: Mapping[str, Assessment], failures: Mapping[str, str]) -> list[SittingRow]:
    return [
        SittingRow(
            code=m.code,
            learner=f"{m.level} hand{', recorded' if m.source == 'simulated motion' else ''}",
            assessment=assessed.get(m.code),
            failure=failures.get(m.code),
            html=f"reports/{m.code}.html" if m.code in assessed else None,
            pdf=f"reports/{m.code}.pdf" if m.code in assessed else None,
            faults=m.faults,
            truth=m.truth,
        )
        for m in made
    ]


def truth_lines(made: Sequence[Made], assessed: Mapping[str, Assessment]) -> list[str]:
    """One line a piece: mark, faults put in, and how far the readings lie from what was truly cut, in U."""
    lines = [f"{'piece':<6} {'level':<7} {'mark':>5} {'outcome':<8} {'within U':>9}  faults put in"]
    inside_all = total_all = 0
    for m in made:
        if m.code not in assessed:
            lines.append(f"{m.code:<6} {m.level:<7} not assessed")
            continue
        assessment = assessed[m.code]
        compared = compare(m.truth, assessment)
        inside = sum(abs(measured - true) <= 2 * u for true, measured, u in compared.values())
        inside_all, total_all = inside_all + inside, total_all + len(compared)
        known = f"{inside:>3} of {len(compared):>2}" if compared else "motion"
        percent = assessment.mark.percent
        shown = "–" if percent is None else f"{percent:.0f}"
        lines.append(
            f"{m.code:<6} {m.level:<7} {shown:>5} {assessment.mark.outcome:<8} {known:>9}  {', '.join(m.faults) or 'none'}"
        )
    share = 100.0 * inside_all / max(total_all, 1)
    lines.append(
        f"{inside_all} of {total_all} readings with a known truth ({share:.0f} %) lie within U = 2 u of what was cut."
    )
    return lines


def compare(truth: Mapping[Key, float], assessment: Assessment) -> dict[Key, tuple[float, float, float]]:
    """By key: the truth, the reading, its standard uncertainty; only what was measured."""
    readings = {r.key: r for r in assessment.readings}
    return {
        key: (true, reading.value, reading.u)
        for key, true in truth.items()
        if (reading := readings.get(key)) is not None and reading.value is not None and reading.u is not None
    }
