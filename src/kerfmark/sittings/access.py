"""How people, tokens and stations are let in. Secrets are handed out once and kept only as their SHA-256.

Passwords are hashed by whoever takes them (the web's accounts); here a hash is only kept and given back.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from kerfmark.errors import ConflictError, InputError, MissingError, RightsError, printable
from kerfmark.sittings.people import add_person_within
from kerfmark.sittings.rights import PROGRAM, SCOPES, Actor, require
from kerfmark.sittings.roles import actor_within
from kerfmark.spool import STATION
from kerfmark.storage import Store, Transaction, func
from kerfmark.storage.schema import Grant, OneTimeLink, Person, SignIn, Site, StationKey, Token, new_id

__all__ = [
    "StationLine",
    "TokenLine",
    "account_by_login",
    "account_by_subject",
    "actor_of_secret",
    "actor_of_sign_in",
    "begin_setup",
    "end_sign_in",
    "finish_setup",
    "invite",
    "link_subject",
    "make_station_key",
    "make_token",
    "set_password",
    "sign_in",
    "stations",
    "stop_station_key",
    "stop_token",
    "tokens",
    "use_link",
]

SETUP_HOURS, INVITE_HOURS, SIGN_IN_HOURS = 24, 14 * 24, 12
TOKEN = "kt_"
SEEN_EVERY = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class TokenLine:
    """A token as its owner sees it; the secret was shown once."""

    id: str
    name: str
    scopes: tuple[str, ...]
    made_at: datetime
    ends_at: datetime | None
    used_at: datetime | None
    stopped: bool


@dataclass(frozen=True, slots=True)
class StationLine:
    """A station key as lists show it."""

    id: str
    rig: str
    site_id: str
    made_at: datetime
    used_at: datetime | None
    stopped: bool


def begin_setup(store: Store) -> str | None:
    """The secret of a link that makes the first lead, good for a day and once; None where there is a lead already."""
    with store.write() as tx:
        if tx.all(Grant, Grant.role == "lead", Grant.ended_at.is_(None), limit=1):
            return None
        return _link(tx, "setup", None, SETUP_HOURS)


def finish_setup(store: Store, secret: str, *, name: str, login: str, password_hash: str, site: str) -> str:
    """Make the first site and the first lead, who leads all sites; returns the lead's id."""
    with store.write() as tx:
        _used(tx, secret, "setup")
        if tx.all(Grant, Grant.role == "lead", Grant.ended_at.is_(None), limit=1):
            raise ConflictError("there is a lead already. Sign in instead.")
        row = Site(id=new_id(), name=" ".join(site.split()) or "Main site", made_at=tx.now)
        tx.add(row)
        tx.say(str(PROGRAM), "site added", f"site {row.id}")
        person_id = add_person_within(tx, PROGRAM, code=login, name=name, login=login, roles=[("lead", None)])
        _person(tx, person_id).password = password_hash
        tx.say(str(PROGRAM), "store set up", f"person {person_id}")
        return person_id


def invite(store: Store, actor: Actor, person_id: str) -> str:
    """The secret of a link with which a person sets their password, good for two weeks and once."""
    require(actor, "people.manage", None)
    with store.write() as tx:
        _person(tx, person_id)
        tx.say(str(actor), "person invited", f"person {person_id}")
        return _link(tx, "password", person_id, INVITE_HOURS)


def use_link(store: Store, secret: str, *, password_hash: str) -> str:
    """Set a password by a one-time link; every browser signed in as that person is signed out. Returns the person's id."""
    with store.write() as tx:
        person_id = _used(tx, secret, "password").person_id or ""
        _set_password(tx, person_id, password_hash)
        tx.say(f"person {person_id}", "password set by link", f"person {person_id}")
        return person_id


def set_password(store: Store, actor: Actor, password_hash: str) -> None:
    """Set one's own password; every other browser is signed out."""
    if actor.person_id is None or actor.scopes is not None:
        raise RightsError("a password is set by its owner, signed in. Sign in first.")
    with store.write() as tx:
        _set_password(tx, actor.person_id, password_hash)
        tx.say(str(actor), "password set", f"person {actor.person_id}")


def account_by_login(store: Store, login: str) -> tuple[str, str | None] | None:
    """Person id and password hash of a local account that is let in; None where there is none."""
    with store.read() as tx:
        row = tx.one(Person, Person.login == login, Person.stopped_at.is_(None), Person.erased_at.is_(None))
        return None if row is None else (row.id, row.password)


def account_by_subject(store: Store, issuer: str, subject: str) -> str | None:
    """Person id of an account at a university's provider."""
    with store.read() as tx:
        row = tx.one(Person, Person.issuer == issuer, Person.subject == subject, Person.stopped_at.is_(None))
        return None if row is None else row.id


def link_subject(store: Store, issuer: str, subject: str, *, email: str) -> str | None:
    """Tie a provider's account to the person with that e-mail address, if there is exactly one without a tie; their id."""
    with store.write() as tx:
        rows = tx.all(
            Person, func.lower(Person.email) == email.lower(), Person.subject.is_(None), Person.stopped_at.is_(None)
        )
        if not email or len(rows) != 1:
            return None
        rows[0].issuer, rows[0].subject = issuer, subject
        tx.say(str(PROGRAM), "account tied", f"person {rows[0].id}")
        return rows[0].id


def sign_in(store: Store, person_id: str, *, hours: float = SIGN_IN_HOURS) -> str:
    """Sign a browser in; returns its secret. Whoever calls has checked the password or the provider's word."""
    secret = secrets.token_urlsafe(32)
    with store.write() as tx:
        actor_within(tx, person_id)
        ends = tx.now + timedelta(hours=hours)
        tx.add(SignIn(secret_sha256=_sha256(secret), person_id=person_id, made_at=tx.now, seen_at=tx.now, ends_at=ends))
        tx.say(f"person {person_id}", "signed in", f"person {person_id}")
    return secret


def actor_of_sign_in(store: Store, secret: str) -> Actor | None:
    """Who a browser's secret belongs to, with the roles they hold now; None where it is not or no longer good."""
    with store.read() as tx:
        row = tx.get(SignIn, _sha256(secret))
        if row is None or row.ends_at <= tx.now:
            return None
        try:
            return actor_within(tx, row.person_id)
        except MissingError:
            return None


def end_sign_in(store: Store, secret: str) -> None:
    """Sign a browser out."""
    with store.write() as tx:
        row = tx.get(SignIn, _sha256(secret))
        if row is not None:
            tx.remove(row)
            tx.say(f"person {row.person_id}", "signed out", f"person {row.person_id}")


def make_token(
    store: Store, actor: Actor, *, name: str, scopes: Iterable[str], ends_at: datetime | None = None
) -> tuple[str, str]:
    """A key to the API for oneself; returns its id and its secret, which is shown this once."""
    wanted = tuple(sorted(set(scopes)))
    if actor.person_id is None or actor.scopes is not None:
        raise RightsError("tokens are made by people who are signed in. Sign in first.")
    if not wanted or not set(wanted) <= set(SCOPES):
        raise InputError(
            f"scopes are '{printable(', '.join(wanted))}', expected some of {', '.join(SCOPES)}. Choose them."
        )
    secret = TOKEN + secrets.token_urlsafe(32)
    with store.write() as tx:
        row = Token(
            id=new_id(), secret_sha256=_sha256(secret), person_id=actor.person_id, name=name[:100], scopes=list(wanted),
            made_at=tx.now, ends_at=ends_at,
        )  # fmt: skip
        tx.add(row)
        tx.say(str(actor), "token made", f"token {row.id}", scopes=list(wanted))
        return row.id, secret


def tokens(store: Store, actor: Actor) -> list[TokenLine]:
    """One's own tokens, newest first."""
    with store.read() as tx:
        rows = tx.all(Token, Token.person_id == actor.person_id, order=[Token.made_at.desc()])
        return [
            TokenLine(r.id, r.name, tuple(r.scopes), r.made_at, r.ends_at, r.used_at, r.stopped_at is not None)
            for r in rows
        ]


def stop_token(store: Store, actor: Actor, token_id: str) -> None:
    """Stop one of one's own tokens, or as a lead anybody's."""
    with store.write() as tx:
        row = tx.get(Token, token_id)
        if row is None:
            raise MissingError("there is no such token. Choose one of the list.")
        if row.person_id != actor.person_id:
            require(actor, "people.manage", None)
        row.stopped_at = tx.now
        tx.say(str(actor), "token stopped", f"token {token_id}")


def make_station_key(store: Store, actor: Actor, *, site_id: str, rig: str) -> tuple[str, str]:
    """A key a rig hands pieces in with; returns its id and its secret, which is shown this once."""
    require(actor, "stations.manage", site_id)
    station_id = new_id()
    secret = f"{STATION}{station_id}_{secrets.token_urlsafe(32)}"  # the rig works its pieces' keys out of the id while offline
    with store.write() as tx:
        if tx.get(Site, site_id) is None:
            raise MissingError("there is no such site. Choose one of the list.")
        row = StationKey(id=station_id, secret_sha256=_sha256(secret), site_id=site_id, rig=rig[:100], made_at=tx.now)
        tx.add(row)
        tx.say(str(actor), "station key made", f"station {row.id}", site=site_id)
        return row.id, secret


def stations(store: Store, actor: Actor) -> list[StationLine]:
    """Station keys of the sites whose stations the actor manages."""
    where = actor.sites("stations.manage")
    with store.read() as tx:
        rows = tx.all(StationKey, order=[StationKey.rig, StationKey.made_at])
        return [
            StationLine(r.id, r.rig, r.site_id, r.made_at, r.used_at, r.stopped_at is not None)
            for r in rows
            if actor.program or None in where or r.site_id in where
        ]


def stop_station_key(store: Store, actor: Actor, station_id: str) -> None:
    """Stop a station's key."""
    with store.write() as tx:
        row = tx.get(StationKey, station_id)
        if row is None:
            raise MissingError("there is no such station. Choose one of the list.")
        require(actor, "stations.manage", row.site_id)
        row.stopped_at = tx.now
        tx.say(str(actor), "station key stopped", f"station {station_id}")


def actor_of_secret(store: Store, secret: str) -> Actor | None:
    """Who a token or a station key belongs to; None where it is not or no longer good."""
    with store.read() as tx:
        if secret.startswith(STATION):
            key = tx.one(StationKey, StationKey.secret_sha256 == _sha256(secret), StationKey.stopped_at.is_(None))
            return None if key is None else Actor(station_id=key.id, site_id=key.site_id, scopes=frozenset(["submit"]))
        row = tx.one(Token, Token.secret_sha256 == _sha256(secret), Token.stopped_at.is_(None))
        if row is None or (row.ends_at is not None and row.ends_at <= tx.now):
            return None
        try:
            return actor_within(tx, row.person_id, scopes=row.scopes)
        except MissingError:
            return None


def _link(tx: Transaction, purpose: str, person_id: str | None, hours: float) -> str:
    secret = secrets.token_urlsafe(24)
    ends = tx.now + timedelta(hours=hours)
    tx.add(
        OneTimeLink(secret_sha256=_sha256(secret), purpose=purpose, person_id=person_id, made_at=tx.now, ends_at=ends)
    )
    return secret


def _used(tx: Transaction, secret: str, purpose: str) -> OneTimeLink:
    row = tx.get(OneTimeLink, _sha256(secret), lock=True)
    if row is None or row.purpose != purpose or row.used_at is not None or row.ends_at <= tx.now:
        raise MissingError("this link was used already, has run out or was never good. Ask for a new one.")
    row.used_at = tx.now
    return row


def _set_password(tx: Transaction, person_id: str, password_hash: str) -> None:
    _person(tx, person_id).password = password_hash
    tx.remove(*tx.all(SignIn, SignIn.person_id == person_id))


def _person(tx: Transaction, person_id: str) -> Person:
    row = tx.get(Person, person_id, lock=True)
    if row is None or row.erased_at is not None or row.stopped_at is not None:
        raise MissingError("there is no such person, or they are let in no longer.")
    return row


def _sha256(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
