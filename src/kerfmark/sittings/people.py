"""People: who they are, and who may see and change them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from kerfmark.errors import ConflictError, InputError, MissingError, printable
from kerfmark.sittings.naming import as_code, as_email, as_name
from kerfmark.sittings.rights import Actor, may, may_anywhere, require
from kerfmark.sittings.roles import grant_within, person_row
from kerfmark.storage import Store, Transaction, Where, or_, select
from kerfmark.storage.schema import Grant, Person, Trait, new_id

__all__ = ["PersonLine", "add_person", "change_person", "people", "person", "stop_person"]

TRAITS = ("hand", "group")


@dataclass(frozen=True, slots=True)
class PersonLine:
    """A person as lists show them. `grants` are (grant id, role, site id or None)."""

    id: str
    code: str
    name: str
    email: str | None
    login: str | None
    grants: tuple[tuple[str, str, str | None], ...]
    made_at: datetime
    stopped: bool
    erased: bool


def add_person(
    store: Store,
    actor: Actor,
    *,
    code: str,
    name: str,
    email: str | None = None,
    login: str | None = None,
    roles: Iterable[tuple[str, str | None]] = (),
) -> str:
    """A new person with roles (role, site id or None for all sites); returns their id.

    Raises
    ------
    RightsError
        If the actor may not add people; a teacher may add learners at their own site.
    ConflictError
        If the code or the login is taken.
    """
    wanted = tuple(roles)
    _require_to_add(actor, wanted)
    with store.write() as tx:
        return add_person_within(tx, actor, code=code, name=name, email=email, login=login, roles=wanted)


def add_person_within(
    tx: Transaction,
    actor: Actor,
    *,
    code: str,
    name: str,
    email: str | None = None,
    login: str | None = None,
    roles: Iterable[tuple[str, str | None]] = (),
) -> str:
    """As `add_person`, inside a transaction whose rights were checked."""
    code, name = as_code(code), as_name(name, "person")
    if tx.one(Person, Person.code == code) is not None:
        raise ConflictError(
            f"code '{printable(code)}' is taken, expected one of its own for each person. Choose another."
        )
    if login and tx.one(Person, Person.login == login) is not None:
        raise ConflictError(
            f"login '{printable(login)}' is taken, expected one of its own for each person. Choose another."
        )
    row = Person(id=new_id(), code=code, name=name, email=as_email(tx, email), login=login or None, made_at=tx.now)
    tx.add(row)
    tx.say(str(actor), "person added", f"person {row.id}")
    for role, site_id in roles:
        grant_within(tx, actor, row.id, role, site_id)
    return row.id


def change_person(
    store: Store, actor: Actor, person_id: str, *, name: str | None = None, email: str | None = None,
    login: str | None = None, language: str | None = None,
) -> None:  # fmt: skip
    """Change what is given; a person may change their own e-mail address and language, the lead all of it."""
    own = actor.person_id == person_id and name is None and login is None
    if not own:
        require(actor, "people.manage", None)
    with store.write() as tx:
        row = person_row(tx, person_id)
        if login and (other := tx.one(Person, Person.login == login)) is not None and other.id != row.id:
            raise ConflictError(f"login '{printable(login)}' is taken, expected one of its own. Choose another.")
        given = {"name": name, "email": email, "login": login, "language": language}
        if email:
            given["email"] = as_email(tx, email, of=row.id)
        changed = [key for key, value in given.items() if value is not None]
        for key in changed:
            setattr(row, key, given[key] or None if key != "name" else as_name(name or "", "person"))
        tx.say(str(actor), "person changed", f"person {person_id}", fields=changed)


def stop_person(store: Store, actor: Actor, person_id: str) -> None:
    """Let a person in no longer; what they did stays."""
    require(actor, "people.manage", None)
    with store.write() as tx:
        row = person_row(tx, person_id)
        row.stopped_at = tx.now
        tx.say(str(actor), "person stopped", f"person {person_id}")


def person(store: Store, actor: Actor, person_id: str) -> PersonLine:
    """One person: oneself, or anybody for who may see people at a site of theirs."""
    with store.read() as tx:
        row = tx.get(Person, person_id)
        line = None if row is None else _lines(tx, [row])[0]
    if line is None or not (actor.person_id == person_id or _sees(actor, line)):
        raise MissingError("there is no such person. Choose one of the list.")
    return line


def people(store: Store, actor: Actor, *, role: str | None = None, find: str = "") -> list[PersonLine]:
    """People the actor may see, by name: those with a role at a site of theirs."""
    with store.read() as tx:
        query: list[Where] = [Person.erased_at.is_(None)]
        if find:
            query.append(
                or_(Person.name.icontains(find, autoescape=True), Person.code.icontains(find, autoescape=True))
            )
        lines = _lines(tx, tx.all(Person, *query, order=[Person.name, Person.code]))
    seen = [line for line in lines if _sees(actor, line)]
    return [line for line in seen if role is None or any(held == role for _, held, _ in line.grants)]


def set_trait(tx: Transaction, actor: Actor, person_id: str, name: str, value: str) -> None:
    """Note what fairness is asked about, with consent; the value itself does not go into the log."""
    if name not in TRAITS:
        raise InputError(f"'{printable(name)}' is not kept about people, expected {' or '.join(TRAITS)}. Leave it out.")
    row = tx.get(Trait, (person_id, name))
    if row is None:
        tx.add(Trait(person_id=person_id, name=name, value=value, consented_at=tx.now))
    else:
        row.value = value
    tx.say(str(actor), "trait noted", f"person {person_id}", trait=name)


def _require_to_add(actor: Actor, roles: tuple[tuple[str, str | None], ...]) -> None:
    learners_only = bool(roles) and all(role == "learner" and site is not None for role, site in roles)
    if learners_only and all(may(actor, "sitting.open", site) for _, site in roles):
        return
    for site_id in {site for _, site in roles} or {None}:
        require(actor, "people.manage", site_id)


def _sees(actor: Actor, line: PersonLine) -> bool:
    """Whether the person has a role at a site where the actor may see people; a role at all sites is one there, too."""
    here = any(
        may_anywhere(actor, "people.see") if site is None else may(actor, "people.see", site)
        for _, _, site in line.grants
    )
    return here or may(actor, "people.manage", None)


def _lines(tx: Transaction, rows: list[Person]) -> list[PersonLine]:
    held: dict[str, list[tuple[str, str, str | None]]] = {}
    wanted = select(Grant.id, Grant.person_id, Grant.role, Grant.site_id).where(Grant.ended_at.is_(None))
    if len(rows) == 1:
        wanted = wanted.where(Grant.person_id == rows[0].id)
    for row in tx.rows(wanted):
        held.setdefault(row.person_id, []).append((row.id, row.role, row.site_id))
    return [
        PersonLine(p.id, p.code, p.name, p.email, p.login, tuple(sorted(held.get(p.id, []), key=str)), p.made_at,
                   p.stopped_at is not None, p.erased_at is not None)
        for p in rows
    ]  # fmt: skip
