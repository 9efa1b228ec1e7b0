"""A learner's own marks beside the measured ones, over time, for that learner alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.ratings import first_device
from kerfmark.evidence.table import Table
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.selfjudgement import self_judgement

__all__ = ["HISTORY_LEAST", "OwnHistory", "own_history"]

HISTORY_LEAST: Final = 3


@dataclass(frozen=True, slots=True)
class OwnHistory:
    """One learner's own marks beside the measured ones, for that learner's page alone.

    Attributes
    ----------
    exercise, attempt, own, measured : arrays
        In the order of exercise and attempt.
    bias : Estimate or str
        Own less measured over the history, or why it cannot be said yet.
    """

    exercise: NDArray[np.str_]
    attempt: FloatArray
    own: FloatArray
    measured: FloatArray
    bias: Estimate | str


def own_history(table: Table, learner: str) -> OwnHistory:
    """A learner's own history: what a learner is shown in place of a verdict from one attempt.

    Parameters
    ----------
    table : Table
    learner : str

    Returns
    -------
    OwnHistory

    Examples
    --------
    >>> from kerfmark.evidence.table import table_of
    >>> rows = [["L1", by, str(n), str(60 + n + 5 * (by == "own"))] for n in (1, 2, 3, 4) for by in ("own", "measured")]
    >>> own_history(table_of(["learner", "by", "attempt", "score"], rows), "L1").own.tolist()
    [66.0, 67.0, 68.0, 69.0]
    """
    rows = table.where(table["learner"] == learner)
    pairs = []
    for speaker in ("own", "measured"):
        said = rows.said_by(speaker, whole=True)
        said = said.where(~np.isnan(said.number("score")) & (said.number("repeat") == 1) & first_device(said))
        names = zip(said["exercise"].astype(str), said.number("attempt"), strict=True)
        pairs.append(dict(zip(names, said.number("score"), strict=True)))
    both = sorted(set(pairs[0]) & set(pairs[1]))
    own, measured = (np.array([side[key] for key in both], dtype=float) for side in pairs)
    try:
        bias: Estimate | str = (
            self_judgement(own, measured).bias
            if len(both) >= HISTORY_LEAST
            else (f"{len(both)} of {HISTORY_LEAST} own marks that a history needs; a single attempt says little.")
        )
    except EvidenceError as why:
        bias = str(why)
    return OwnHistory(np.array([e for e, _ in both], dtype=str), np.array([a for _, a in both]), own, measured, bias)
