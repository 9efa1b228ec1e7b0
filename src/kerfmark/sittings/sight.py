"""How much of a piece somebody may see, and which part in examining and signing it is theirs."""

from __future__ import annotations

from dataclasses import dataclass

from kerfmark.errors import MissingError, RightsError
from kerfmark.sittings.belonging import appointed, released, sitting_of
from kerfmark.sittings.marks import UPHELD, Standing, standing
from kerfmark.sittings.rights import Actor, may
from kerfmark.storage import Transaction
from kerfmark.storage.schema import (
    Examination,
    Marking,
    OwnView,
    OwnViewed,
    Piece,
    Sitting,
)

__all__ = [
    "Sight",
    "can_sign",
    "examined_before_appeal",
    "own_view_of",
    "require_measured",
    "seen",
    "sight_of",
    "turn_of",
]


@dataclass(frozen=True, slots=True)
class Sight:
    """How much of a piece an actor sees.

    Attributes
    ----------
    as_ : str
        `learner` (their own), `examiner` (appointed) or `overseer`.
    named : bool
        Who cut it.
    measured : bool
        Readings, rulings, colours, numbers.
    own_view : bool
    examined : str
        `all`, `own` or `none`: what examiners decided.
    mark : bool
        What it comes to.
    """

    as_: str
    named: bool
    measured: bool
    own_view: bool
    examined: str
    mark: bool


def seen(tx: Transaction, actor: Actor, piece_id: str, *, lock: bool = False) -> tuple[Standing, Sight]:
    """How a piece stands and how much of it the actor sees; refused as missing where that is nothing."""
    row = tx.get(Piece, piece_id, lock=lock)
    found = None if row is None else standing(tx, row)
    sight = None if found is None else sight_of(tx, actor, found)
    if found is None or sight is None:
        raise MissingError("there is no such piece. Choose one of the list.")
    return found, sight


def sight_of(tx: Transaction, actor: Actor, found: Standing) -> Sight | None:
    """How much of a piece an actor sees; None: they may not know of it. Being its learner comes before every role."""
    if actor.program:
        return Sight("overseer", True, True, True, "all", True)
    if not actor.allows("read") or actor.person_id is None:
        return None
    sitting = sitting_of(tx, found.piece)
    shown = released(tx, sitting) is not None
    if found.piece.learner_id == actor.person_id:
        return _learners_sight(tx, found, sitting, shown)
    if appointed(tx, actor, sitting.id) and may(actor, "moderate", sitting.site_id):
        return _examiners_sight(tx, actor, found, sitting, shown)
    if may(actor, "piece.see", sitting.site_id):
        return Sight("overseer", True, True, True, "all", True)
    return None


def _learners_sight(tx: Transaction, found: Standing, sitting: Sitting, shown: bool) -> Sight:
    viewed = not sitting.own_view or own_view_of(tx, found.piece.id) is not None
    measured = viewed and (shown or sitting.kind == "practice")
    examined = measured and (shown or found.word in ("settled", "signed"))
    return Sight("learner", True, measured, True, "all" if examined else "none", examined)


def _examiners_sight(tx: Transaction, actor: Actor, found: Standing, sitting: Sitting, shown: bool) -> Sight:
    """Codes only where blind; nobody's own view or decision before one's own is in."""
    parts = appointed(tx, actor, sitting.id)
    mine = any(e.examiner_id == actor.person_id for e in found.examined)
    settled = found.word in ("settled", "signed")  # nobody decides any more, and who signs a mark has to see it
    everything = shown or settled or (found.word == "waits for moderator" and (mine or "moderator" in parts))
    own_view = shown or (sitting.kind == "practice" and mine)
    return Sight("examiner", shown or not sitting.blind, True, own_view, "all" if everything else "own", everything)


def require_measured(sight: Sight) -> None:
    """Refuse who may not see yet what was measured."""
    if not sight.measured:
        raise RightsError(
            "nothing measured is shown yet: give your own view first, and in an exam wait for the release. Come back then."
        )


def turn_of(tx: Transaction, actor: Actor, found: Standing, sitting: Sitting) -> str | None:
    """The part this actor may now take in examining a piece: appointed, not their own, not twice, and not again after an appeal."""
    part = {
        "waits for examiner": "first",
        "waits for second examiner": "second",
        "waits for moderator": "moderator",
    }.get(found.word)
    if part is None or actor.person_id is None or found.piece.learner_id == actor.person_id:
        return None
    if any(e.examiner_id == actor.person_id for e in found.examined):
        return None
    needed = "moderator" if part == "moderator" else "examiner"
    right = "moderate" if part == "moderator" else "examine"
    if needed not in appointed(tx, actor, sitting.id) or not may(actor, right, sitting.site_id):
        return None
    return None if actor.person_id in examined_before_appeal(tx, found) else part


def examined_before_appeal(tx: Transaction, found: Standing) -> set[str]:
    """Who examined a piece before an appeal on it was upheld: it goes to others now."""
    if found.marked is None or found.marked.number == 1:
        return set()
    upheld = tx.all(Marking, Marking.piece_id == found.piece.id, Marking.why == UPHELD, order=[Marking.number])
    if not upheld:
        return set()
    before = tx.all(Examination, Examination.piece_id == found.piece.id, Examination.round < upheld[-1].number)
    return {row.examiner_id for row in before}


def can_sign(tx: Transaction, actor: Actor, found: Standing, sitting: Sitting) -> bool:
    """Whether this actor may sign a piece now; see `signing.sign`."""
    if found.word != "settled" or found.outcome == "refer" or actor.person_id is None:
        return False
    if found.piece.learner_id == actor.person_id or not may(actor, "sign", sitting.site_id):
        return False
    if sitting.kind == "exam" and any(e.examiner_id == actor.person_id for e in found.examined):
        return False
    return actor.holds(["lead"], sitting.site_id) or bool(appointed(tx, actor, sitting.id))


def own_view_of(tx: Transaction, piece_id: str) -> dict[int, tuple[str, str | None]] | None:
    """The learner's own view by criterion, None where none was given yet."""
    row = tx.one(OwnView, OwnView.piece_id == piece_id)
    if row is None:
        return None
    return {v.criterion: (v.view, v.confidence) for v in tx.all(OwnViewed, OwnViewed.own_view_id == row.id)}
