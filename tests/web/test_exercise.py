"""One exercise version: criteria with their corridors, and what proving it found."""


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
    browser = visit("teacher")
    assert browser.post(f"/exercises/{school.exercise}/hide").status_code == 303
    assert f"/exercises/{school.exercise}" not in browser.get("/exercises").text
