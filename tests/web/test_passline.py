"""Pass lines side by side; one is signed with a reason, in a person's name."""

import re

import pytest

from kerfmark.sittings.board import signed_lines
from kerfmark.sittings.keeping import audit_entries, prove_audit
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.seating import seat_learners
from kerfmark.storage.schema import ChosenLine

PANEL = b"method,judge,item,value,count\n" + b"".join(
    f"angoff,J{judge},{item},{40 + 5 * judge + item},\n".encode() for judge in (1, 2, 3) for item in (1, 2, 3)
)


@pytest.fixture
def marked(school):
    """Three learners' marks, and a panel beside them."""
    sitting = school.sitting()
    seat_learners(school.store, school["teacher"], sitting, [school.ids["l3"]])
    for login, where in {"l1": ["in"], "l2": ["out"], "l3": ["in", "out"]}.items():
        school.measured(sitting, login, where, content=login.encode())
    return school


def with_panel(browser):
    answer = browser.post("/evidence/papers/panel", {}, files={"file": ("panel.csv", PANEL)})
    assert answer.headers["location"].endswith("done=panel")


def test_a_line_is_signed_with_a_reason_and_stands_in_the_log(marked, visit):
    browser = visit("lead")
    with_panel(browser)
    page = browser.get("/evidence/line").text
    assert "modified Angoff" in page
    assert "No pass line is signed yet" in page
    sent = browser.post("/evidence/line", {"method": "modified Angoff", "reason": "the panel judged every criterion"})
    assert sent.headers["location"] == "/evidence/line?exercise=&done=signed"
    page = browser.get("/evidence/line").text
    assert "Name of lead" in page
    assert "the panel judged every criterion" in page
    lead = marked["lead"]
    line = signed_lines(marked.store, lead)[-1]
    assert line.percent == pytest.approx(52.0)  # Source: mean of 46, 51, 56 and of three items one apart
    assert set(line.basis) == {"table_sha256", "rows", "draws", "seed", "lines"}
    assert audit_entries(marked.store, PROGRAM, limit=1)[0].action == "pass line signed"
    assert prove_audit(marked.store, PROGRAM).holds
    assert "Chosen by Name of lead" in browser.get("/evidence?ask=1").text


def test_a_line_changed_behind_the_program_is_found(marked, visit):
    browser = visit("lead")
    with_panel(browser)
    browser.post("/evidence/line", {"method": "modified Angoff", "reason": "because"})
    with marked.store.write() as tx:
        tx.all(ChosenLine)[0].percent = 40.0
    assert "chosen_lines" in prove_audit(marked.store, PROGRAM).changed[0]


def test_without_a_reason_or_a_line_nothing_is_signed(marked, visit):
    browser = visit("lead")
    with_panel(browser)
    answer = browser.post("/evidence/line", {"method": "modified Angoff", "reason": " "})
    assert (answer.status_code, "Write it" in answer.text) == (422, True)
    answer = browser.post("/evidence/line", {"method": "by lot", "reason": "why not"})
    assert (answer.status_code, "expected one of the lines" in answer.text) == (422, True)
    assert signed_lines(marked.store, marked["lead"]) == []


def test_an_auditor_reads_the_lines_and_signs_none(marked, visit):
    browser = visit("auditor")
    page = browser.get("/evidence/line").text
    assert re.search(r'type="radio"', page) is None
    assert browser.post("/evidence/line", {"method": "modified Angoff", "reason": "x"}).status_code == 403


def test_a_line_whose_panel_is_taken_back_decides_no_more(marked, visit):
    browser = visit("lead")
    with_panel(browser)
    browser.post("/evidence/line", {"method": "modified Angoff", "reason": "because"})
    paper = re.search(r'action="(/evidence/take-back/[0-9a-f]+)"', browser.get("/evidence").text)[1]
    assert browser.post(paper).headers["location"].endswith("done=withdrawn")
    assert "no method gives a pass line" in browser.get("/evidence?ask=1").text.lower()


def test_a_store_without_marks_says_so_and_blames_nobody(visit, school):
    page = visit("lead").get("/evidence/line")
    assert page.status_code == 200
    assert "The store holds no measured pieces" in page.text
    assert 'role="alert"' not in page.text
