"""Which roles people hold, and people as actors with the roles they hold now."""

from __future__ import annotations

from collections.abc import Iterable

from kerfmark.errors import ConflictError, InputError, MissingError, RightsError, printable
from kerfmark.sittings.rights import ROLES, Actor, require
from kerfmark.storage import Store, Transaction
from kerfmark.storage.schema import Grant, Person, Site

__all__ = ["actor_of", "actor_within", "end_grant", "grant", "grant_within", "in_use", "person_row"]


def in_use(store: Store) -> bool:
    """Whether somebody holds the lead's role already; where not, the store still has to be set up."""
    with store.read() as tx:
        return bool(tx.all(Grant, Grant.role == "lead", Grant.ended_at.is_(None), limit=1))


def grant(store: Store, actor: Actor, person_id: str, role: str, site_id: str | None) -> str:
    """Give a role at a site, or at all (None); returns the grant's id. Nobody gives themselves a role."""
    require(actor, "people.manage", site_id)
    if actor.person_id == person_id:
        raise RightsError("nobody gives themselves a role, expected another lead to do it. Ask one.")
    with store.write() as tx:
        person_row(tx, person_id)
        return grant_within(tx, actor, person_id, role, site_id)


def grant_within(tx: Transaction, actor: Actor, person_id: str, role: str, site_id: str | None) -> str:
    """As `grant`, inside a transaction whose rights were checked; the same role twice is one."""
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


def person_row(tx: Transaction, person_id: str) -> Person:
    """A person who was not erased, held until the transaction ends."""
    row = tx.get(Person, person_id, lock=True)
    if row is None or row.erased_at is not None:
        raise MissingError("there is no such person. Choose one of the list.")
    return row
