"""The API does what the pages do, within a token's scopes, and never fails by itself."""

import json
import re

import hypothesis
import pytest
import schemathesis

from kerfmark.sittings import access
from kerfmark.web.api import ROUTERS


@pytest.fixture
def call(school, school_app, open_browser):
    """A function that calls as somebody."""
    browser = open_browser(of=school_app)

    def calling(who, method, path, body=None, scopes=("read", "submit", "examine", "manage"), **options):
        _, secret = access.make_token(school.store, school[who], name="a test", scopes=scopes)
        return browser.send(
            method, f"/api/v1{path}", json=body, headers={"authorization": f"Bearer {secret}"}, **options
        )

    return calling


def test_a_term_runs_through_the_api_alone(school, call):
    """Open, seat, appoint, measure, own view, decide, sign, close, release: the same flows as the pages."""
    opened = call(
        "teacher",
        "POST",
        "/sittings",
        {"title": "An exam", "site": school.site, "exercise": school.exercise, "kind": "exam"},
    ).json()["id"]
    browser_roster = call("teacher", "POST", f"/sittings/{opened}/appointments", {"person": school.ids["e1"]})
    assert browser_roster.status_code == 201
    from kerfmark.sittings.seating import seat_learners

    seat_learners(school.store, school["teacher"], opened, [school.ids["l1"]])
    piece = school.measured(opened, "l1", ["on"])
    views = [{"number": c.number, "view": "inside", "confidence": "guess"} for c in school.criteria]
    assert call("l1", "POST", f"/pieces/{piece}/own-view", {"views": views}).status_code == 200
    assert [line["piece_id"] for line in call("e1", "GET", "/queue").json()] == [piece]
    decided = call(
        "e1",
        "POST",
        f"/pieces/{piece}/examination",
        {"decisions": [{"number": 1, "ruling": "met", "note": "Clear."}], "grade": 4},
    )
    assert decided.json()["word"] == "settled"
    assert call("e1", "POST", f"/pieces/{piece}/signature").status_code == 403
    assert call("lead", "POST", f"/sittings/{opened}/signatures").json() == {"n": 1}
    assert call("teacher", "POST", f"/sittings/{opened}/close").status_code == 200
    assert call("l1", "GET", f"/pieces/{piece}").json()["percent"] is None
    assert call("lead", "POST", f"/sittings/{opened}/release").status_code == 201
    assert call("l1", "GET", f"/pieces/{piece}").json()["outcome"] == "pass"


def test_a_roster_is_sent_as_csv(school, school_app, open_browser):
    sitting = school.sitting()
    _, secret = access.make_token(school.store, school["teacher"], name="a test", scopes=["read", "manage"])
    headers = {"authorization": f"Bearer {secret}", "content-type": "text/csv"}
    answer = open_browser(of=school_app).send(
        "POST", f"/api/v1/sittings/{sitting}/roster", content="code,name\nn-1,Nora Field\n", headers=headers
    )
    assert answer.json() == {"added": 1, "known": 0, "seated": 1, "faults": []}


def test_open_limits_are_null_and_json_holds_no_infinity(school, call):
    text = call("teacher", "GET", f"/exercises/{school.exercise}").text
    limits = [c["limits"] for c in json.loads(text)["criteria"]]
    assert any(None in pair for pair in limits)
    assert "Infinity" not in text


def test_a_token_does_no_more_than_its_scopes(school, call):
    sitting = school.sitting()
    assert call("teacher", "GET", f"/sittings/{sitting}", scopes=["read"]).status_code == 200
    assert call("teacher", "POST", f"/sittings/{sitting}/close", scopes=["read"]).status_code == 403
    assert call("teacher", "GET", "/sittings", scopes=["manage"]).json() == []


def test_a_token_that_only_reads_writes_no_words_either(school, call):
    """Own view, note, reflection, appeal: what a learner says is handed in, too; a teacher's and an auditor's note is no reading."""
    piece = school.measured(school.sitting(), "l1", ["out"])
    views = {"views": [{"number": c.number, "view": "inside", "confidence": "guess"} for c in school.criteria]}
    sent = [
        ("own-view", views),
        ("notes", {"text": "x"}),
        ("appeal", {"text": "x"}),
        ("reflection", {"answers": {"": "x"}}),
    ]
    for what, body in sent:
        school_says = call("l1", "POST", f"/pieces/{piece}/{what}", body, scopes=["read"])
        assert school_says.status_code in (403, 409), what
        assert what == "reflection" or "expected the scope 'submit'" in school_says.json()["detail"]
    assert call("teacher", "POST", f"/pieces/{piece}/notes", {"text": "x"}, scopes=["read"]).status_code == 403
    assert call("e1", "POST", f"/pieces/{piece}/notes", {"text": "x"}, scopes=["read"]).status_code in (403, 404)
    assert call("auditor", "POST", f"/pieces/{piece}/notes", {"text": "x"}).status_code == 403
    assert call("l1", "POST", f"/pieces/{piece}/own-view", views, scopes=["read", "submit"]).status_code == 200
    words = call("l1", "POST", f"/pieces/{piece}/reflection", {"answers": {"": "x"}}, scopes=["read"])
    assert "expected the scope 'submit'" in words.json()["detail"]


def test_a_session_s_cookie_is_no_token(school, visit):
    """So no other site can make a browser call for somebody."""
    assert visit("lead").get("/api/v1/sittings").status_code == 401


def test_nothing_measured_comes_before_the_own_view(school, call):
    piece = school.measured(school.sitting(), "l1", ["out"])
    shown = call("l1", "GET", f"/pieces/{piece}").json()
    assert (shown["readings"], shown["rulings"], shown["percent"], shown["drawings"]) == (
        [],
        [],
        None,
        ["plain-scene", "plain-sheet"],
    )
    assert call("l1", "GET", f"/pieces/{piece}/scene").status_code == 403
    assert call("l1", "GET", f"/pieces/{piece}/scene?plain=true").content == b"glTF of bare surfaces"
    assert call("l1", "GET", f"/pieces/{piece}/assessment").status_code == 403


def test_limits_are_tried_without_changing_anything(school, call):
    piece = school.measured(school.sitting(), "l1", ["out"])
    tried = call("teacher", "GET", f"/exercises/{school.exercise}/trial").json()
    assert tried["pieces"] == 1
    assert tried["counts"]["not met"][0] == 1
    low, _ = school.criteria[0].limits
    wider = call("teacher", "GET", f"/exercises/{school.exercise}/trial?t=1:{low - 100:g}:").json()
    assert wider["counts"]["met"][0] == 1
    assert call("teacher", "GET", f"/pieces/{piece}").json()["by_limits"][0]["ruling"] == "not met"


def test_evidence_comes_as_the_table_that_evidence_asks(school, call):
    school.measured(school.sitting(), "l1")
    text = call("lead", "GET", "/evidence.csv").text
    assert text.startswith("learner,exercise,attempt,by,")
    assert call("teacher", "GET", "/evidence.csv").status_code == 403


def test_every_operation_is_described_on_the_page_and_fetches_nothing(visit):
    page = visit(None).get("/api/docs").text
    described = visit(None).get("/api/openapi.json").json()
    for path in described["paths"]:
        assert path in page
    assert re.findall(r'(?:src|href)="https?://', page) == []
    assert described["openapi"].startswith("3.1")


def test_pages_are_no_part_of_the_description(visit):
    assert all(path.startswith("/api/v1/") for path in visit(None).get("/api/openapi.json").json()["paths"])


def test_every_operation_says_what_it_does():
    for router in ROUTERS:
        for route in router.routes:
            assert route.endpoint.__doc__, route.path


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("examples", [2, pytest.param(40, marks=pytest.mark.slow)])
def test_no_operation_answers_with_a_fault_of_our_own(school, school_app, examples):
    """schemathesis makes requests out of the description; a sample here, all of it with `-m slow`."""
    piece = school.measured(school.sitting(), "l1", ["out", "on"])
    school.judge(piece)
    _, secret = access.make_token(
        school.store, school["lead"], name="a test", scopes=["read", "submit", "examine", "manage"]
    )
    described = schemathesis.openapi.from_asgi("/api/openapi.json", school_app, headers={"host": "127.0.0.1"})
    asked, failed = 0, []
    for operation in described.get_all_operations():

        @hypothesis.settings(
            max_examples=examples,
            deadline=None,
            database=None,
            suppress_health_check=list(hypothesis.HealthCheck),
            derandomize=True,
        )
        @hypothesis.given(case=operation.ok().as_strategy())
        def ask(case):
            nonlocal asked
            case.headers = {**(case.headers or {}), "authorization": f"Bearer {secret}", "host": "127.0.0.1"}
            answer = case.call(timeout=300)  # a loaded machine is slow, and that is no fault
            asked += 1
            if answer.status_code >= 500:
                failed.append((case.method, case.path, answer.status_code))

        ask()
    assert asked >= 29
    assert failed == []
