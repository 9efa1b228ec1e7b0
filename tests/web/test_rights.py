"""Every page as owner, colleague, stranger, somebody of another site, signed out. The expected answers are the table of decision 13."""

import re

import pytest
from fastapi.routing import APIRoute

from kerfmark.web.pages import ROUTERS

OK, GONE, NO, EARLY = 200, 404, 403, 409
SIGN_IN = 303

WHO = (
    "l1",
    "l2",
    "l3",
    "e1",
    "teacher",
    "lead",
    "technician",
    "auditor",
    "other-l",
    "other-e",
    "other-teacher",
    "other-lead",
    None,
)
"""The learner who cut the piece, one beside them, one without a seat, an appointed examiner, …, the same at another site, nobody."""

_MEMBERS = dict.fromkeys(WHO, OK) | {None: SIGN_IN}


def only(*who, others=NO, **given):
    """Pages that some may see."""
    return {name: OK if name in who else others for name in WHO} | {None: SIGN_IN} | given


STAFF = ("teacher", "lead", "auditor")
EVERYWHERE_STAFF = (*STAFF, "other-teacher", "other-lead")
PAGES = {
    "/account": _MEMBERS,
    "/keys": dict.fromkeys(WHO, OK),
    "/look": dict.fromkeys(WHO, OK),
    "/find?q=nothing-so-called": _MEMBERS,
    "/pieces": _MEMBERS,
    "/pieces/new": _MEMBERS,
    "/sittings": _MEMBERS,
    "/sittings/new": _MEMBERS,
    "/queue": _MEMBERS,
    "/exercises": _MEMBERS,
    "/progress": _MEMBERS,
    "/sittings/{sitting}": only("l1", "l2", "e1", "technician", *STAFF, others=GONE),
    "/sittings/{sitting}/live": only("l1", "l2", "e1", "technician", *STAFF, others=GONE),
    "/exercises/{exercise}": only("l1", "l2", "e1", "technician", "other-e", *EVERYWHERE_STAFF, others=GONE),
    "/pieces/{piece}": only("l1", "e1", *STAFF, others=GONE),
    "/pieces/{piece}/scene.glb": only("l1", "e1", *STAFF, others=GONE),
    "/pieces/{piece}/plain.glb": only("l1", "e1", *STAFF, others=GONE),
    "/pieces/{piece}/beside": only("l1", "e1", *STAFF, others=GONE),
    "/pieces/{unseen}/beside": only("e1", *STAFF, others=GONE, l1=NO),
    "/pieces/{piece}/assessment.json": only("l1", "e1", *STAFF, others=GONE),
    "/pieces/{piece}/reveal": only("l1", others=GONE, e1=NO, teacher=NO, lead=NO, auditor=NO),
    "/pieces/{piece}/bundle.zip": only(*STAFF, others=GONE, l1=EARLY, e1=EARLY),
    "/pieces/{unseen}/judge": only("l1", others=GONE, e1=NO, teacher=NO, lead=NO, auditor=NO),
    "/pieces/{unseen}/scene.glb": only("e1", *STAFF, others=GONE, l1=NO),
    "/pieces/{unseen}/plain.glb": only("l1", "e1", *STAFF, others=GONE),
    "/limits": only(*EVERYWHERE_STAFF),
    "/limits/{exercise}": only(*EVERYWHERE_STAFF),
    "/limits/{exercise}/trial": only(*EVERYWHERE_STAFF),
    "/learners": only("teacher", "lead", "other-teacher", "other-lead"),
    "/learners/{learner}": only("l1", "teacher", "lead", others=GONE),
    "/learners/{learner}/record.zip": only("l1", others=GONE),
    "/evidence": only("lead", "auditor", "other-lead"),
    "/evidence/line": only("lead", "auditor", "other-lead"),
    "/rigs": only("technician", "lead", "other-lead"),
    "/admin": only("lead", "other-lead", auditor=SIGN_IN),
    "/admin/audit": only("lead", "auditor", "other-lead"),
}
LEFT_OUT = {
    "/", "/sign-in", "/setup/{secret}", "/link/{secret}", "/oidc/start", "/oidc/callback", "/sittings/{sitting_id}/events",
    "/pieces/{piece_id}/decide", "/pieces/{piece_id}/section", "/demo", "/demo/live", "/demo/events",
    "/exercises/{exercise_id}/plan", "/exercises/{exercise_id}/plan/trial", "/exercises/{exercise_id}/plan/picture.png", "/exercises/{exercise_id}/plan.toml",
}  # fmt: skip
"""Pages with tests of their own: doors, a stream that never ends, a page that leads on, a section (needs a real scene), a desk for planning (a CT)."""


@pytest.fixture
def places(school):
    """Addresses of one practice with a piece that was judged and one that was not."""
    sitting = school.sitting()
    piece = school.measured(sitting, "l1", ["out", "on"])
    school.judge(piece)
    unseen = school.measured(sitting, "l1", content=b"another")
    return {
        "sitting": sitting,
        "piece": piece,
        "unseen": unseen,
        "exercise": school.exercise,
        "learner": school.ids["l1"],
    }


@pytest.mark.parametrize("who", WHO, ids=str)
def test_each_page_answers_each_person_as_the_table_says(who, places, visit):
    browser = visit(who)
    found = {address: browser.get(address.format(**places)).status_code for address in PAGES}
    expected = {address: answers[who] for address, answers in PAGES.items()}
    assert {a: s for a, s in found.items() if s != expected[a]} == {}


def test_no_page_is_missing_from_the_table():
    shown = {
        re.sub(r"\{(\w+)_id\}", r"{\1}", address.partition("?")[0]).replace("{unseen}", "{piece}") for address in PAGES
    }
    routes = {
        route.path
        for router in ROUTERS
        for route in router.routes
        if isinstance(route, APIRoute) and "GET" in route.methods
    }
    assert {re.sub(r"\{(\w+)_id\}", r"{\1}", path) for path in routes - LEFT_OUT} == shown


def test_the_first_page_leads_each_role_to_its_work(places, visit):
    expected = {
        "l1": "/pieces",
        "e1": "/queue",
        "teacher": "/sittings",
        "lead": "/sittings",
        "technician": "/rigs",
        "auditor": "/evidence",
    }
    assert {who: visit(who).get("/").headers["location"] for who in expected} == expected
