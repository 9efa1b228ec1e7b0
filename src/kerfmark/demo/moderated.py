"""What happens to simulated pieces after they are marked: moderation, appeals, and pieces that have no mark."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

__all__ = ["absent", "incident", "moderated"]

Row = dict[str, object]

APART: Final = 11.0
"""Points beyond which the invented school has a third examiner look."""

SAMPLE: Final = 0.05
ABSENT: Final = ("ill, certificate handed in", "left the course")
SET_ASIDE: Final = {
    (5, 1, 1): ("set aside", "the scan leaves out the distal wall; cut again"),
    (9, 2, 1): ("void", "the wrong block was mounted; cut again"),
}
APPEAL: Final = (17, 0)


def moderated(made: Sequence[Row], *, examiners: int, rng: np.random.Generator) -> Iterator[Row]:
    """The moderated mark of a piece: a third examiner where two lie apart, a sample, and every appeal.

    Parameters
    ----------
    made : sequence of rows
        All that was said of the piece.
    examiners : int
    rng : generator
        Its own, so that everything else of the term stays as it is.
    """
    whole = [row for row in made if "criterion" not in row]
    first = [row for row in whole if row["by"] == "examiner" and row.get("repeat", 1) == 1]
    reading = next((row for row in whole if row["by"] == "measured" and "score" in row), None)
    apart, sampled, moved = len(first) > 1 and _apart(first) > APART, rng.random() < SAMPLE, rng.random() < 0.35
    shift = float(rng.uniform(-5.0, 5.0))
    appeal = reading is not None and reading.get("status") == "appeal"
    if reading is None or not (apart or sampled or appeal):
        return
    others = [f"E{n + 1}" for n in range(examiners) if f"E{n + 1}" not in {row["examiner"] for row in first}] or ["E1"]
    kept = float(str(reading["score"]))
    score = round(float(np.clip(kept + shift, 0, 100)), 1) if apart and moved else kept
    rule = "appeal, looked at again" if appeal else "third examiner" if apart else "sample, upheld"
    yield {
        **{key: reading[key] for key in ("learner", "site", "rig", "hand", "group", "exercise", "attempt")},
        "by": "moderated", "examiner": others[int(rng.integers(len(others)))], "score": score, "reason": rule, "date": reading["date"],
    }  # fmt: skip


def _apart(first: Sequence[Row]) -> float:
    scores = [float(str(row["score"])) for row in first]
    return max(scores) - min(scores)


def incident(made: Sequence[Row], *, learner: int, exercise: int, attempt: int, last: bool) -> Iterator[Row]:
    """The rows of a piece, as they stand after what happened to it: two early pieces lose their mark, one last is appealed."""
    status, reason = SET_ASIDE.get((learner, exercise, attempt), ("", ""))
    appeal = last and (learner, exercise) == APPEAL
    for row in made:
        if row["by"] == "measured" and "criterion" not in row:
            if status and not last:
                yield {
                    **{key: value for key, value in row.items() if key != "score"},
                    "status": status,
                    "reason": reason,
                }
                continue
            if appeal:
                row |= {"status": "appeal", "reason": "asks for the margin to be looked at again"}
        yield row


def absent(exercises: Sequence[str], *, first: int) -> Iterator[Row]:
    """Two learners who entered and cut nothing."""
    for number, reason in enumerate(ABSENT, start=first + 1):
        for exercise in exercises:
            yield {
                "learner": f"L{number:04d}",
                "exercise": exercise,
                "attempt": 1,
                "by": "measured",
                "status": "absent",
                "reason": reason,
            }
