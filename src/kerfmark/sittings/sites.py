"""The sites of a school."""

from __future__ import annotations

from dataclasses import dataclass

from kerfmark.errors import ConflictError, MissingError, printable
from kerfmark.sittings.naming import as_name
from kerfmark.sittings.rights import Actor, require
from kerfmark.storage import Store
from kerfmark.storage.schema import Site

__all__ = ["SiteLine", "add_site", "hide_site", "sites"]


@dataclass(frozen=True, slots=True)
class SiteLine:
    """A site as lists show it."""

    id: str
    name: str
    hidden: bool


def add_site(store: Store, actor: Actor, name: str) -> str:
    """A new site; returns its id."""
    require(actor, "sites.manage", None)
    name = as_name(name, "site")
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
