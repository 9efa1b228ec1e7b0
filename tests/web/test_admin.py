"""People, roles, sites, and the audit log with its proof."""

import re

import pytest

from kerfmark.sittings import access
from kerfmark.sittings.people import add_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.web.security.passwords import hashed


@pytest.fixture
def chief(school, visit):
    """The lead of all sites."""
    made = add_person(school.store, PROGRAM, code="chief", name="The chief", login="chief", roles=[("lead", None)])
    access.use_link(
        school.store, access.invite(school.store, PROGRAM, made), password_hash=hashed("four plain words here")
    )
    return visit("chief")


def test_somebody_is_added_and_given_a_link_that_works_once(school, chief, school_app, open_browser):
    given = {"code": "n-9", "name": "Nora Field", "login": "nora", "role": "examiner", "site": school.site}
    page = chief.post("/admin/people", given).text
    link = re.search(r'class="secret">(/link/[\w-]+)<', page)[1]
    browser, word = open_browser(of=school_app), "some other four words"
    assert browser.post(link, {"password": word, "again": word}).status_code == 303
    assert browser.sign_in("nora", word).status_code == 303
    assert browser.get("/queue").status_code == 200


def test_a_code_that_is_taken_is_said_beside_the_form(school, visit):
    answer = visit("lead").post(
        "/admin/people", {"code": "l1-code", "name": "Another", "role": "learner", "site": school.site}
    )
    assert answer.status_code == 422
    assert "l1-code" in answer.text


def test_nobody_gives_themselves_a_role(school, visit):
    answer = visit("lead").post(f"/admin/people/{school.ids['lead']}/grant", {"role": "auditor", "site": school.site})
    assert answer.status_code == 403


def test_a_lead_of_one_site_gives_no_role_at_another(school, visit):
    answer = visit("lead").post(
        f"/admin/people/{school.ids['teacher']}/grant", {"role": "teacher", "site": school.other_site}
    )
    assert answer.status_code == 403


def test_the_log_is_read_and_proved_by_an_auditor_and_changed_by_nobody(school, visit):
    auditor = visit("auditor")
    assert auditor.get("/admin").headers["location"] == "/admin/audit"
    assert "person added" in auditor.get("/admin/audit").text
    assert "The log holds:" in auditor.post("/admin/audit/verify").text
    assert auditor.post("/admin/people", {"code": "x", "name": "X", "role": "lead", "site": ""}).status_code == 403


def test_the_log_holds_no_names(school, visit):
    page = visit("auditor").get("/admin/audit").text
    assert "Name of l1" not in page.partition("<main")[2]


def test_a_lead_of_one_site_adds_people_there_without_a_link(school, visit):
    given = {"code": "n-9", "name": "Nora Field", "login": "nora", "role": "examiner", "site": school.site}
    page = visit("lead").post("/admin/people", given).text
    assert "Added." in page
    assert "/link/" not in page


def test_details_of_the_log_are_words_and_no_program_s_own_writing(school, chief):
    with school.store.write() as tx:
        tx.say(
            "program",
            "exercise proved",
            f"exercise {school.exercise}",
            cut=True,
            marked=False,
            scopes=["read", "submit"],
        )
    page = re.sub(r"<[^>]+>", " ", chief.get("/admin/audit").text)
    assert re.search(r"cut yes\s*,\s+marked no\s*,\s+scopes read submit", page)
