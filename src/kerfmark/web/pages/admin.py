"""People, roles and sites; the audit log and its proof."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import InputError
from kerfmark.reports.contents import Cell
from kerfmark.sittings import access, keeping, people, roles, sites
from kerfmark.sittings.rights import ROLES, may, may_anywhere, require_anywhere
from kerfmark.web.gate import TOKEN_ONLY, Filled, Visit, Visiting
from kerfmark.web.rendering import page
from kerfmark.web.unsent import Unsent
from kerfmark.web.words import Words

__all__ = ["router"]

router = APIRouter()
MOST = 300
ENTRIES = 60
LONG_ID = re.compile(r"[0-9a-f]{20,}")
DONE = {
    "site": "The site is added.",
    "granted": "The role is given.",
    "ended": "The role is ended.",
    "stopped": "This person is let in no longer; what they did stays.",
    "hidden": "The site is offered no longer.",
}


@router.get("/admin")
def show(visit: Visiting, q: str = "", done: str = "") -> Response:
    """People and sites, for who manages them; who only audits goes to the log."""
    if not may_anywhere(visit.actor, "people.manage"):
        require_anywhere(visit.actor, "audit.see")
        return RedirectResponse("/admin/audit", status_code=303)
    return _show(visit, asked=q.strip()[:80], said=visit.visitor.words(DONE.get(done, "")) or None)


@router.post("/admin/people")
def add_person(visit: Visiting, form: Filled) -> Response:
    """Add somebody, and give out a link for their password."""
    try:
        role = form.needed("role", most=20)
        login = form.text("login", most=60).casefold() or None
        person_id = people.add_person(
            visit.store,
            visit.actor,
            code=form.needed("code", most=60),
            name=form.needed("name", most=200),
            email=form.text("email", most=200) or None,
            login=login,
            roles=[(role, form.text("site", most=40) or None)],
        )
        invites = bool(login) and may(visit.actor, "people.manage", None)
        link = _link(visit, access.invite(visit.store, visit.actor, person_id)) if invites else None
    except InputError as failure:
        return _show(visit, wrong=str(failure), unsent=form.unsent)
    return _show(visit, link=link, said=visit.visitor.words("Added."))


@router.post("/admin/people/{person_id}/link", dependencies=TOKEN_ONLY)
def make_link(visit: Visiting, person_id: str) -> Response:
    """A new link for somebody's password."""
    return _show(visit, link=_link(visit, access.invite(visit.store, visit.actor, person_id)))


@router.post("/admin/people/{person_id}/grant")
def grant(visit: Visiting, person_id: str, form: Filled) -> Response:
    """Give a role."""
    roles.grant(visit.store, visit.actor, person_id, form.needed("role", most=20), form.text("site", most=40) or None)
    return RedirectResponse("/admin?done=granted", status_code=303)


@router.post("/admin/grants/{grant_id}/end", dependencies=TOKEN_ONLY)
def end_grant(visit: Visiting, grant_id: str) -> Response:
    """End a role."""
    roles.end_grant(visit.store, visit.actor, grant_id)
    return RedirectResponse("/admin?done=ended", status_code=303)


@router.post("/admin/people/{person_id}/stop", dependencies=TOKEN_ONLY)
def stop(visit: Visiting, person_id: str) -> Response:
    """Let somebody in no longer."""
    people.stop_person(visit.store, visit.actor, person_id)
    return RedirectResponse("/admin?done=stopped", status_code=303)


@router.post("/admin/sites")
def add_site(visit: Visiting, form: Filled) -> Response:
    """Add a site."""
    try:
        sites.add_site(visit.store, visit.actor, form.needed("name", most=200))
    except InputError as failure:
        return _show(visit, wrong=str(failure), unsent=form.unsent)
    return RedirectResponse("/admin?done=site", status_code=303)


@router.post("/admin/sites/{site_id}/hide", dependencies=TOKEN_ONLY)
def hide_site(visit: Visiting, site_id: str) -> Response:
    """Offer a site no longer."""
    sites.hide_site(visit.store, visit.actor, site_id)
    return RedirectResponse("/admin?done=hidden", status_code=303)


@router.get("/admin/audit")
def show_audit(visit: Visiting, about: str = "", before: int = 0) -> Response:
    """The log, newest first."""
    return _audit(visit, about=about[:80], before=before)


@router.post("/admin/audit/verify", dependencies=TOKEN_ONLY)
def verify(visit: Visiting) -> Response:
    """Prove the log from its start."""
    return _audit(visit, proof=keeping.prove_audit(visit.store, visit.actor))


def _audit(visit: Visit, *, about: str = "", before: int = 0, proof: Any = None) -> Response:
    words = visit.visitor.words
    entries = keeping.audit_entries(visit.store, visit.actor, about=about or None, before=before or None, limit=ENTRIES)
    said = None
    if proof is not None and proof.holds:
        said = words("The log holds: {n} entries, head {head}.").format(n=proof.entries, head=proof.head[:16])
    wrong = None if proof is None or proof.holds else "; ".join(filter(None, (proof.broken, *proof.changed[:5])))
    cells = [Cell(words("audit log"), words("append-only, each entry holds the one before"))]
    return page(
        visit.visitor, "audit.html", entries=entries, called=_Called(keeping.audit_names(visit.store, visit.actor, entries), words), about=about, cells=cells, said=said, wrong=wrong,
        older=entries[-1].seq if len(entries) == ENTRIES else 0, manages=may_anywhere(visit.actor, "people.manage"),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Called:
    """How the log's ids are shown: by code or title where there is one, else by their first digits."""

    names: Mapping[str, str]
    words: Words

    def of(self, thing: str) -> str:
        """Who or what an entry is by or about."""
        return self.names.get(thing) or self.short(thing)

    def short(self, value: object) -> str:
        """A value with long ids and digests cut; of several each, of two ways yes or no."""
        if isinstance(value, bool):
            return self.words("yes") if value else self.words("no")
        if isinstance(value, list | tuple):
            return " ".join(self.short(one) for one in value)
        return LONG_ID.sub(lambda found: found[0][:8], str(value))


def _link(visit: Visit, secret: str) -> str:
    base = visit.server.options.public_url or ""
    return f"{base}/link/{secret}"


def _show(
    visit: Visit,
    *,
    asked: str = "",
    said: str | None = None,
    wrong: str | None = None,
    unsent: Unsent | None = None,
    link: str | None = None,
) -> Response:
    require_anywhere(visit.actor, "people.manage")
    words = visit.visitor.words
    lines, every = people.people(visit.store, visit.actor, find=asked), sites.sites(visit.store)
    cells = [
        Cell(words("people"), str(len(lines))),
        Cell(words("sites"), str(sum(not s.hidden for s in every))),
    ]
    return page(
        visit.visitor,
        "admin.html",
        status=422 if wrong else 200,
        said=said,
        wrong=wrong,
        unsent=unsent,
        link=link,
        lines=lines[:MOST],
        further=max(0, len(lines) - MOST),
        asked=asked,
        sites=every,
        named={s.id: s.name for s in every},
        roles=ROLES,
        cells=cells,
    )
