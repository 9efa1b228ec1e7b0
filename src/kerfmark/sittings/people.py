"""Sites, people and their roles."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from kerfmark.errors import ConflictError, InputError, MissingError, RightsError, printable
from kerfmark.sittings.rights import ROLES, Actor, may, require
from kerfmark.storage import Store, Transaction, Where, func, or_, select
from kerfmark.storage.schema import Grant, Person, Site, Trait, new_id

__all__ = [
    "PersonLine",
    "SiteLine",
    "actor_of",
    "add_person",
    "add_site",
    "change_person",
    "end_grant",
    "grant",
    "hide_site",
    "in_use",
    "people",
    "person",
    "sites",
    "stop_person",
]

CODE_LIMIT = 60
EMAIL_LIMIT = 254
FORMULAS = ("=", "+", "-", "@")
"""Codes stand in tables that spreadsheets open, and these would be run there."""
JOINERS = "\u200c\u200d"
"""Unseen, and part of how names are written in Persian and other scripts (Unicode 15, 23.2)."""
TRAITS = ("hand", "group")


@dataclass(frozen=True, slots=True)
class SiteLine:
    """A site as lists show it."""

    id: str
    name: str
    hidden: bool


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


def in_use(store: Store) -> bool:
    """Whether somebody holds the lead's role already; where not, the store still has to be set up."""
    with store.read() as tx:
        return bool(tx.all(Grant, Grant.role == "lead", Grant.ended_at.is_(None), limit=1))


def add_site(store: Store, actor: Actor, name: str) -> str:
    """A new site; returns its id."""
    require(actor, "sites.manage", None)
    name = _words(name, "name", "site")
    with store.write() as tx:
        if tx.one(Site, Site.name == name) is not None:
            raise ConflictError(f"site '{printable(name)}' is there already, expected another name. Choose one.")
        site = Site(name=name, made_at=tx.now)
        tx.add(site)
        tx.say(str(actor), "site added", f"site {site.id}")
        return site.id


def hide_site(store: Store, actor: Actor, site_id: str) -> None:
    """Offer a site no longer; what happened there stays."""
    require(actor, "sites.manage", None)
    with store.write() as tx:
        site = tx.get(Site, site_id)
        if site is None:
            raise MissingError("there is no such site. Choose one of the list.")
        site.hidden_at = tx.now
        tx.say(str(actor), "site hidden", f"site {site.id}")


def sites(store: Store) -> list[SiteLine]:
    """Every site, by name."""
    with store.read() as tx:
        return [SiteLine(s.id, s.name, s.hidden_at is not None) for s in tx.all(Site, order=[Site.name])]


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
    code, name = _code(code), _words(name, "name", "person")
    if tx.one(Person, Person.code == code) is not None:
        raise ConflictError(
            f"code '{printable(code)}' is taken, expected one of its own for each person. Choose another."
        )
    if login and tx.one(Person, Person.login == login) is not None:
        raise ConflictError(
            f"login '{printable(login)}' is taken, expected one of its own for each person. Choose another."
        )
    row = Person(id=new_id(), code=code, name=name, email=_email(tx, email), login=login or None, made_at=tx.now)
    tx.add(row)
    tx.say(str(actor), "person added", f"person {row.id}")
    for role, site_id in roles:
        _grant(tx, actor, row.id, role, site_id)
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
        row = _person(tx, person_id)
        if login and (other := tx.one(Person, Person.login == login)) is not None and other.id != row.id:
            raise ConflictError(f"login '{printable(login)}' is taken, expected one of its own. Choose another.")
        given = {"name": name, "email": email, "login": login, "language": language}
        if email:
            given["email"] = _email(tx, email, of=row.id)
        changed = [key for key, value in given.items() if value is not None]
        for key in changed:
            setattr(row, key, given[key] or None if key != "name" else _words(name or "", "name", "person"))
        tx.say(str(actor), "person changed", f"person {person_id}", fields=changed)


def stop_person(store: Store, actor: Actor, person_id: str) -> None:
    """Let a person in no longer; what they did stays."""
    require(actor, "people.manage", None)
    with store.write() as tx:
        row = _person(tx, person_id)
        row.stopped_at = tx.now
        tx.say(str(actor), "person stopped", f"person {person_id}")


def grant(store: Store, actor: Actor, person_id: str, role: str, site_id: str | None) -> str:
    """Give a role at a site, or at all (None); returns the grant's id. Nobody gives themselves a role."""
    require(actor, "people.manage", site_id)
    if actor.person_id == person_id:
        raise RightsError("nobody gives themselves a role, expected another lead to do it. Ask one.")
    with store.write() as tx:
        _person(tx, person_id)
        return _grant(tx, actor, person_id, role, site_id)


def end_grant(store: Store, actor: Actor, grant_id: str) -> None:
    """End a role. The last lead of all sites stays."""
    with store.write() as tx:
        row = tx.get(Grant, grant_id)
        if row is None or row.ended_at is not None:
            raise MissingError("there is no such role to end. Choose one of the list.")
        require(actor, "people.manage", row.site_id)
        leads = tx.all(Grant, Grant.role == "lead", Grant.site_id.is_(None), Grant.ended_at.is_(None))
        if [lead.id for lead in leads] == [row.id]:
            raise ConflictError(
                "this is the last lead of all sites, expected one to remain. Give the role to another first."
            )
        row.ended_at = tx.now
        tx.say(str(actor), "role ended", f"person {row.person_id}", role=row.role, site=row.site_id)


def actor_of(store: Store, person_id: str, *, scopes: Iterable[str] | None = None) -> Actor:
    """A person as an actor with the roles they hold now.

    Raises
    ------
    MissingError
        If there is no such person, or they are let in no longer.
    """
    with store.read() as tx:
        return actor_within(tx, person_id, scopes=scopes)


def actor_within(tx: Transaction, person_id: str, *, scopes: Iterable[str] | None = None) -> Actor:
    """As `actor_of`, inside a transaction."""
    row = tx.get(Person, person_id)
    if row is None or row.stopped_at is not None or row.erased_at is not None:
        raise MissingError("there is no such person, or they are let in no longer.")
    held = tx.all(Grant, Grant.person_id == person_id, Grant.ended_at.is_(None))
    return Actor(
        person_id=person_id,
        grants=frozenset((g.role, g.site_id) for g in held),
        scopes=None if scopes is None else frozenset(scopes),
    )


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


def _grant(tx: Transaction, actor: Actor, person_id: str, role: str, site_id: str | None) -> str:
    if role not in ROLES:
        raise InputError(f"'{printable(role)}' is no role, expected {', '.join(ROLES)}. Choose one.")
    if site_id is not None and tx.get(Site, site_id) is None:
        raise MissingError("there is no such site. Choose one of the list.")
    held = tx.all(Grant, Grant.person_id == person_id, Grant.role == role, Grant.ended_at.is_(None))
    for row in held:
        if row.site_id == site_id:
            return row.id
    row = Grant(person_id=person_id, role=role, site_id=site_id, made_at=tx.now)
    tx.add(row)
    tx.say(str(actor), "role given", f"person {person_id}", role=role, site=site_id)
    return row.id


def _require_to_add(actor: Actor, roles: tuple[tuple[str, str | None], ...]) -> None:
    learners_only = bool(roles) and all(role == "learner" and site is not None for role, site in roles)
    if learners_only and all(may(actor, "sitting.open", site) for _, site in roles):
        return
    for site_id in {site for _, site in roles} or {None}:
        require(actor, "people.manage", site_id)


def _sees(actor: Actor, line: PersonLine) -> bool:
    return any(may(actor, "people.see", site) for _, _, site in line.grants) or may(actor, "people.manage", None)


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


def _person(tx: Transaction, person_id: str) -> Person:
    row = tx.get(Person, person_id, lock=True)
    if row is None or row.erased_at is not None:
        raise MissingError("there is no such person. Choose one of the list.")
    return row


def _code(code: str) -> str:
    code = code.strip()
    if not code or len(code) > CODE_LIMIT or not code.isprintable() or "," in code:
        raise InputError(
            f"code '{printable(code, limit=40)}' is not usable, expected 1 to {CODE_LIMIT} printable characters without a comma. Correct it."
        )
    if code.startswith(FORMULAS):
        raise InputError(
            f"code '{printable(code, limit=40)}' begins as a spreadsheet's formula does, expected a letter or a digit. Correct it."
        )
    return code


def _words(text: str, field: str, what: str) -> str:
    text = " ".join(text.split())
    if not text or len(text) > 200 or not "".join(c for c in text if c not in JOINERS).isprintable():
        raise InputError(
            f"{what}: {field} is '{printable(text, limit=40)}', expected 1 to 200 characters that can be shown. Give one."
        )
    return text


def _email(tx: Transaction, email: str | None, *, of: str | None = None) -> str | None:
    """An address nobody else has: whoever a university's sign-in names is found by it."""
    email = (email or "").strip()
    if not email:
        return None
    if len(email) > EMAIL_LIMIT or email.count("@") != 1 or not email.isprintable() or " " in email:
        raise InputError(
            f"email is '{printable(email, limit=40)}', expected an address such as name@school.example. Correct it."
        )
    others = tx.all(Person, func.lower(Person.email) == email.lower(), Person.erased_at.is_(None))
    if any(other.id != of for other in others):
        raise ConflictError(
            f"email '{printable(email, limit=40)}' is another person's, expected one of their own. Correct it."
        )
    return email
