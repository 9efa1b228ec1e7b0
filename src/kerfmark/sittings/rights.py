"""Who may do what: one table. A flow asks here before it reads or writes; nothing above has to be trusted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, get_args

from kerfmark.errors import RightsError

__all__ = [
    "PROGRAM",
    "RIGHTS",
    "ROLES",
    "SCOPES",
    "Actor",
    "Right",
    "Role",
    "Scope",
    "may",
    "may_anywhere",
    "require",
    "require_anywhere",
    "require_scope",
]

Role: TypeAlias = Literal["learner", "teacher", "examiner", "lead", "technician", "auditor"]
Scope: TypeAlias = Literal["read", "submit", "examine", "manage"]
ROLES: Final[tuple[str, ...]] = get_args(Role)
SCOPES: Final[tuple[str, ...]] = get_args(Scope)


@dataclass(frozen=True, slots=True)
class Right:
    """What it takes to do something: one of these roles at the site, and this scope where a token is used."""

    roles: frozenset[str]
    scope: Scope
    words: str


def _right(words: str, scope: Scope, *roles: Role) -> Right:
    return Right(frozenset(roles), scope, words)


RIGHTS: Final[dict[str, Right]] = {
    "people.see": _right("see people", "read", "teacher", "lead"),
    "people.manage": _right("add people and give roles", "manage", "lead"),
    "sites.manage": _right("add and hide sites", "manage", "lead"),
    "stations.manage": _right("make and stop station keys", "manage", "technician", "lead"),
    "exercise.see": _right("see exercises", "read", "teacher", "examiner", "lead", "technician", "auditor"),
    "exercise.import": _right("import exercises", "manage", "teacher", "lead"),
    "exercise.hide": _right("take an exercise that somebody else imported off the list", "manage", "lead"),
    "sitting.see": _right("see sittings", "read", "teacher", "lead", "technician", "auditor"),
    "sitting.open": _right("open and close sittings", "manage", "teacher", "lead"),
    "limits.see": _right("see readings against other limits", "read", "teacher", "lead", "auditor"),
    "limits.change": _right("change the limits in force", "manage", "lead"),
    "piece.hand_in": _right("hand in pieces for learners", "submit", "teacher", "technician", "lead"),
    "piece.note": _right("write notes on pieces", "manage", "teacher", "lead"),
    "piece.see": _right("see every piece", "read", "teacher", "lead", "auditor"),
    "examine": _right("examine pieces", "examine", "examiner"),
    "moderate": _right("moderate", "examine", "examiner", "lead"),
    "sign": _right("sign marks", "examine", "examiner", "lead"),
    "release": _right("release marks", "manage", "lead"),
    "appeal.answer": _right("answer appeals", "manage", "lead"),
    "evidence.see": _right("see the evidence", "read", "lead", "auditor"),
    "evidence.sign": _right("choose and sign the pass line, and say what stands beside the evidence", "manage", "lead"),
    "audit.see": _right("read the audit log", "read", "auditor", "lead"),
    "record.erase": _right("erase a learner's record", "manage", "lead"),
    "school.manage": _right("change the school's settings", "manage", "lead"),
}


@dataclass(frozen=True, slots=True)
class Actor:
    """Who is doing something: a person with their grants (role, site or None for all), a station, or the program itself.

    `scopes` None: signed in, nothing held back; else what the token allows.
    """

    person_id: str | None = None
    grants: frozenset[tuple[str, str | None]] = frozenset()
    station_id: str | None = None
    site_id: str | None = None
    scopes: frozenset[str] | None = None
    program: bool = False

    def __str__(self) -> str:
        """How the audit log names them."""
        if self.program:
            return "program"
        return f"person {self.person_id}" if self.person_id else f"station {self.station_id}"

    def holds(self, roles: Iterable[str], site_id: str | None) -> bool:
        """Whether one of the roles is held at a site. None: at all sites."""
        wanted = set(roles)
        return any(role in wanted and site in (None, site_id) for role, site in self.grants)

    def sites(self, right: str) -> frozenset[str | None]:
        """Where a right is held: sites' ids, None among them for all."""
        return frozenset(site for role, site in self.grants if role in RIGHTS[right].roles)

    def allows(self, scope: str) -> bool:
        """Whether the token, if one is used, allows this."""
        return self.scopes is None or scope in self.scopes


PROGRAM: Final = Actor(program=True)
"""The program itself: its workers, and commands of whoever runs the machine."""


def may(actor: Actor, right: str, site_id: str | None) -> bool:
    """Whether an actor holds a right at a site."""
    needed = RIGHTS[right]
    return actor.program or (actor.allows(needed.scope) and actor.holds(needed.roles, site_id))


def require(actor: Actor, right: str, site_id: str | None) -> None:
    """Refuse who does not hold a right at a site.

    Raises
    ------
    RightsError
        With the roles that do.
    """
    if may(actor, right, site_id):
        return
    needed = RIGHTS[right]
    require_scope(actor, needed.scope, needed.words)
    raise RightsError(
        f"you may not {needed.words} here, expected the role {' or '.join(sorted(needed.roles))} at this site. Ask the lead for it."
    )


def require_scope(actor: Actor, scope: Scope, words: str) -> None:
    """Refuse a token that was made for less; who is signed in passes.

    Raises
    ------
    RightsError
        With the scope it takes.
    """
    if not actor.allows(scope):
        raise RightsError(f"this token may not {words}, expected the scope '{scope}'. Make a token with that scope.")


def may_anywhere(actor: Actor, right: str) -> bool:
    """Whether an actor holds a right at some site or another."""
    return actor.program or (actor.allows(RIGHTS[right].scope) and bool(actor.sites(right)))


def require_anywhere(actor: Actor, right: str) -> None:
    """Refuse who holds a right at no site at all; as `require` otherwise."""
    if not may_anywhere(actor, right):
        require(actor, right, "")
