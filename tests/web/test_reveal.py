"""The reveal: own view beside the reading, differences first; history with its interval, from three pieces on."""

import re

import pytest


@pytest.fixture
def judged(school):
    piece = school.measured(school.sitting(prompts=["What next time?"]), "l1", ["out", "on"])
    school.judge(piece)
    return piece


def test_what_was_seen_otherwise_than_measured_comes_first_and_is_said_in_words(judged, visit):
    page = visit("l1").get(f"/pieces/{judged}/reveal").text
    verdicts = re.findall(
        r"you said inside, it is outside|as measured|too close to call, not counted", page.partition("<tbody>")[2]
    )
    assert verdicts[0] == "you said inside, it is outside"
    assert verdicts.count("you said inside, it is outside") == 1
    assert verdicts.count("too close to call, not counted") == 1


def test_the_count_leaves_out_what_is_too_close_to_call(judged, school, visit):
    n = len(school.criteria)
    assert f"{n - 2} of {n - 1} as measured" in visit("l1").get(f"/pieces/{judged}/reveal").text


def test_no_bias_is_told_from_fewer_than_three_pieces(judged, school, visit):
    browser = visit("l1")
    assert "from three pieces on" in browser.get(f"/pieces/{judged}/reveal").text
    sitting = school.sitting()
    for k in range(2):
        school.judge(school.measured(sitting, "l1", ["out"], content=b"piece %d" % k))
    page = browser.get(f"/pieces/{judged}/reveal").text
    assert "from three pieces on" not in page
    assert "n = 3" in page


def test_nobody_is_ranked_and_no_quartile_is_drawn(judged, visit):
    # Source: Gignac & Zajenkowski (2020), Nuhfer et al. (2016): such pictures are produced by noise alone.
    page = visit("l1").get(f"/pieces/{judged}/reveal").text.casefold()
    assert not any(word in page for word in ("quartile", "rank", "percentile", "better than", "class average"))


def test_a_reflection_is_kept_and_read_by_the_teacher(judged, visit):
    browser = visit("l1")
    assert browser.post(f"/pieces/{judged}/reflection", {"answer-0": "Move the mirror earlier."}).status_code == 303
    assert "Move the mirror earlier." in browser.get(f"/pieces/{judged}/reveal").text
    assert "Move the mirror earlier." in visit("teacher").get(f"/pieces/{judged}").text


def test_of_an_exam_nothing_is_revealed_before_the_release(school, visit):
    sitting = school.sitting("exam")
    piece = school.measured(sitting, "l1")
    school.judge(piece)
    browser = visit("l1")
    assert browser.get(f"/pieces/{piece}/reveal").headers["location"] == f"/pieces/{piece}"
    page = browser.get(f"/pieces/{piece}").text
    assert "The readings come with the release of the marks." in page
    assert "±" not in page.partition("<footer")[0]
    assert browser.get(f"/pieces/{piece}/scene.glb").status_code == 403
    lead = visit("lead")
    lead.post(f"/pieces/{piece}/sign")
    lead.post(f"/sittings/{sitting}/close")
    assert lead.post(f"/sittings/{sitting}/release").status_code == 303
    assert "as measured" in browser.get(f"/pieces/{piece}/reveal").text
