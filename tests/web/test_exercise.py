"""One exercise version: criteria with their corridors, and what proving it found."""

from kerfmark.storage.schema import ExerciseVersion


def test_every_criterion_stands_with_its_limits_and_its_question(school, visit):
    page = visit("teacher").get(f"/exercises/{school.exercise}").text
    assert page.count('class="strips"') == len(school.criteria)
    for c in school.criteria:
        assert c.ask is None or c.ask.replace("'", "&#39;") in page


def test_a_learner_sees_what_to_do_and_not_how_it_is_marked(school, visit):
    school.sitting()
    page = visit("l1").get(f"/exercises/{school.exercise}").text
    assert 'class="strips"' not in page
    assert "Layered block" in page or "layered" in page.casefold()


def test_a_version_that_is_offered_no_longer_leaves_the_list(school, visit):
    browser = visit("lead")
    assert browser.post(f"/exercises/{school.exercise}/hide").status_code == 303
    assert f"/exercises/{school.exercise}" not in browser.get("/exercises").text


def test_a_teacher_takes_only_what_they_imported_themselves_off_the_list_that_all_share(school, visit):
    browser, address = visit("teacher"), f"/exercises/{school.exercise}"
    assert "Offer no longer" not in browser.get(address).text
    assert browser.post(f"{address}/hide").status_code == 403
    with school.store.write() as tx:
        tx.get(ExerciseVersion, school.exercise).imported_by = school.ids["teacher"]
    assert "Offer no longer" not in visit("other-teacher").get(address).text
    assert "Offer no longer" in browser.get(address).text
    assert browser.post(f"{address}/hide").status_code == 303
