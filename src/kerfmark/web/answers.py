"""Evidence over what is kept, worked out once until something more happens in the store; one at a time."""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock
from typing import Any, Final

from kerfmark.evidence.answer import Options
from kerfmark.evidence.gather import Evidence
from kerfmark.sittings.board import ask
from kerfmark.sittings.happened import last_audit_number
from kerfmark.sittings.keeping import school_settings
from kerfmark.web.gate import Visit

__all__ = ["DRAWS", "answers"]

DRAWS: Final = 400
"""Bootstrap draws of a page that somebody waits for; a report for a board draws more (`kerfmark evidence`)."""
KEPT: Final = 4

_answers: OrderedDict[tuple[Any, ...], Evidence] = OrderedDict()
_turn = Lock()


def answers(visit: Visit, exercise: str) -> Evidence:
    """Every answer of an exercise's marks, or of all.

    Raises
    ------
    EvidenceError
        If there is nothing to ask.
    """
    key = visit.store.address, last_audit_number(visit.store), exercise, visit.actor.sites("evidence.see")
    with _turn:
        if key not in _answers:
            school = school_settings(visit.store).get("name", "")
            options = Options(draws=DRAWS, title=exercise or "All exercises", school=school)
            _answers[key] = ask(visit.store, visit.actor, exercise=exercise, options=options)
            while len(_answers) > KEPT:
                _answers.popitem(last=False)
        _answers.move_to_end(key)
        return _answers[key]
