"""`kerfmark check`."""

from __future__ import annotations

import typer

from kerfmark.cli.options import ExerciseArgument
from kerfmark.cli.saying import Progress, show_remarks

__all__ = ["check"]


def check(exercise: ExerciseArgument) -> None:
    """Prove an exercise: is it valid, can it be cut, can it be marked? Exit 0 all three, 3 valid but cannot, 2 not valid."""
    from kerfmark.exercise.proof import check_exercise
    from kerfmark.pipeline import ideal_readings, open_exercise
    from kerfmark.settings import read_settings

    progress = Progress()
    progress("preparing the exercise")
    loaded, prepared = open_exercise(exercise, settings=read_settings())
    show_remarks((*loaded.remarks, *prepared.remarks))
    progress("measuring the ideal piece")
    ideal = {r.key: r.u for r in ideal_readings(prepared)}
    progress("proving that it can be cut")
    proof = check_exercise(loaded, prepared, predict_u=ideal or None)
    progress.done()
    typer.echo(f"{loaded.exercise.id}  {loaded.version}")
    typer.echo(proof.text())
    if not (proof.can_be_cut and proof.can_be_marked):
        raise typer.Exit(3)
