"""Is everyone who is compared linked through work they share? Without it, severity and ability cannot be told apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.sparse
import scipy.sparse.csgraph
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import EvidenceError, InputError

__all__ = ["check_linked", "linked_groups"]


def linked_groups(people: ArrayLike, judges: ArrayLike) -> list[list[str]]:
    """The judges in groups that share people, directly or by a chain; one group where all are linked.

    Parameters
    ----------
    people, judges : (n,) arrays
        Who was judged, and by whom (or on which exercise), one entry a rating.

    Returns
    -------
    groups : list of list of str
        Largest first, names in order.

    Raises
    ------
    InputError
        If lengths differ or there are no ratings.

    Examples
    --------
    >>> linked_groups(["a", "a", "b", "c"], ["E1", "E2", "E2", "E3"])
    [['E1', 'E2'], ['E3']]
    """
    left, right = np.asarray(people), np.asarray(judges)
    if left.shape != right.shape or left.ndim != 1 or not left.size:
        raise InputError(
            f"{left.size} people for {right.size} judges, expected one of each a rating. Correct the columns."
        )
    person, p = _codes(left)
    judge, j = _codes(right)
    graph = scipy.sparse.coo_array((np.ones(len(p)), (p, len(person) + j)), shape=(len(person) + len(judge),) * 2)
    component = scipy.sparse.csgraph.connected_components(graph, directed=False)[1][len(person) :]
    groups = [[str(name) for name in judge[component == at]] for at in np.unique(component)]
    return sorted(groups, key=lambda group: (-len(group), group))


def check_linked(people: ArrayLike, judges: ArrayLike, *, name: str = "examiners") -> None:
    """Refuse to compare judges who share no work.

    Raises
    ------
    EvidenceError
        If they fall into groups; the sentence names two groups and what would link them.

    Examples
    --------
    >>> check_linked(["a", "a", "b", "b"], ["E1", "E2", "E2", "E3"])
    """
    groups = linked_groups(people, judges)
    if len(groups) > 1:
        first, second = groups[0], groups[1]
        raise EvidenceError(
            f"{name}: {_listed(first)} and {_listed(second)} share no learner, directly or through others, so they "
            f"cannot be compared. Let {first[0]} and {second[0]} judge some of the same work and ask again."
        )


def _codes(column: NDArray[np.generic]) -> tuple[NDArray[np.generic], NDArray[np.intp]]:
    names, codes = np.unique(column, return_inverse=True)
    return names, codes


def _listed(names: Sequence[str], most: int = 4) -> str:
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"
