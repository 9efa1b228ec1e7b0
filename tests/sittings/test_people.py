"""People, roles and the ways in: roles are given by others, links work once, stopped people are out at once."""

from datetime import timedelta

import pytest

from kerfmark.errors import ConflictError, InputError, MissingError, RightsError
from kerfmark.sittings.access import (
    account_by_login,
    actor_of_secret,
    actor_of_sign_in,
    begin_setup,
    finish_setup,
    invite,
    make_token,
    sign_in,
    use_link,
)
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.overview import sitting
from kerfmark.sittings.people import add_person, people, stop_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.roles import actor_of, end_grant, grant
from kerfmark.sittings.seating import import_roster
from kerfmark.storage.schema import Person, SignIn


def test_the_first_lead_is_made_by_a_link_that_works_once(store):
    secret = begin_setup(store)
    person = finish_setup(store, secret, name="Runa", login="runa", password_hash="a hash", site="North")
    assert actor_of(store, person).grants == frozenset({("lead", None)})
    with pytest.raises(MissingError, match="used already"):
        finish_setup(store, secret, name="Eve", login="eve", password_hash="h", site="South")
    assert begin_setup(store) is None


def test_a_link_runs_out(school):
    secret = invite(school.store, PROGRAM, school.ids["L1"])
    now = school.store.clock()
    with pytest.raises(MissingError, match="has run out"):
        use_link(school.store.at(lambda: now + timedelta(days=15)), secret, password_hash="h")


def test_a_new_password_signs_every_browser_out(school):
    browser = sign_in(school.store, school.ids["teacher"])
    assert actor_of_sign_in(school.store, browser).person_id == school.ids["teacher"]
    use_link(school.store, invite(school.store, PROGRAM, school.ids["teacher"]), password_hash="new")
    assert actor_of_sign_in(school.store, browser) is None
    assert account_by_login(school.store, "teacher") == (school.ids["teacher"], "new")


def test_secrets_are_kept_as_digests_only(school):
    browser = sign_in(school.store, school.ids["teacher"])
    with school.store.read() as tx:
        assert browser not in {row.secret_sha256 for row in tx.all(SignIn)}


def test_nobody_gives_themselves_a_role_and_only_a_lead_gives_any(school):
    lead = add_person(school.store, PROGRAM, code="head", name="Head", roles=[("lead", None)])
    with pytest.raises(RightsError, match="nobody gives themselves"):
        grant(school.store, actor_of(school.store, lead), lead, "examiner", school.site)
    with pytest.raises(RightsError):
        grant(school.store, school["teacher"], school.ids["L1"], "lead", school.site)
    with pytest.raises(RightsError):
        grant(school.store, school["lead"], school.ids["L1"], "teacher", school.other_site)


def test_the_last_lead_of_all_sites_stays(school):
    lead = add_person(school.store, PROGRAM, code="head", name="Head", roles=[("lead", None)])
    held = people(school.store, PROGRAM, find="head")[0].grants[0][0]
    with pytest.raises(ConflictError, match="the last lead"):
        end_grant(school.store, actor_of(school.store, lead), held)


def test_a_stopped_person_and_their_tokens_are_out_at_once(school):
    _, secret = make_token(school.store, school["teacher"], name="script", scopes=["read"])
    assert actor_of_secret(school.store, secret) is not None
    stop_person(school.store, PROGRAM, school.ids["teacher"])
    assert actor_of_secret(school.store, secret) is None


def test_a_roster_seats_who_is_known_adds_who_is_not_and_names_what_it_passes_over(school):
    held = open_sitting(school.store, school["teacher"], title="R", site_id=school.site, exercise_id=school.exercise)
    text = "\ufeffcode;name;place;hand\nL1;Learner L1;3;\nN1;Ny, Student;4;left\n;Nobody;5;\n"
    found = import_roster(school.store, school["teacher"], held, text)
    assert (found.added, found.known, found.seated) == (1, 1, 2)
    assert found.faults[0].startswith("row 4: code ''")
    seats = sitting(school.store, school["teacher"], held).seats
    assert {seat.place for seat in seats} == {"3", "4"}
    assert len({seat.code for seat in seats}) == 2
    with school.store.read() as tx:
        assert tx.one(Person, Person.code == "N1").name == "Ny, Student"


@pytest.mark.parametrize("text", ["", "name\nA\n", "code,name,shoe\n1,A,43\n", "code,code,name\n1,1,A\n"])
def test_something_else_is_no_roster(school, text):
    held = open_sitting(school.store, school["teacher"], title="R", site_id=school.site, exercise_id=school.exercise)
    with pytest.raises(InputError, match="expected column names"):
        import_roster(school.store, school["teacher"], held, text)


def test_a_teacher_of_a_site_sees_who_works_at_all_sites(school):
    """Else nobody there could appoint an examiner who has the role everywhere."""
    made = add_person(school.store, PROGRAM, code="everywhere", name="Every Where", roles=[("examiner", None)])
    assert made in {line.id for line in people(school.store, school["teacher"], role="examiner")}
