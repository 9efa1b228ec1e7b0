"""A learner's own progress, and a teacher's look at it."""


def test_a_learner_sees_their_pieces_marks_and_history(school, visit):
    sitting = school.sitting()
    for k in range(3):
        school.judge(school.measured(sitting, "l1", ["out"], content=b"piece %d" % k))
    page = visit("l1").get("/progress").text
    assert page.count("/reveal") == 3
    assert "n = 3" in page
    assert "My progress" in page


def test_before_the_own_view_no_mark_stands_in_the_list(school, visit):
    school.measured(school.sitting(), "l1")
    assert "of 100, pass" not in visit("l1").get("/progress").text


def test_a_teacher_finds_a_learner_by_code_and_opens_them(school, visit):
    browser = visit("teacher")
    assert browser.get("/find?q=l1-code").headers["location"] == f"/learners/{school.ids['l1']}"
    assert "Name of l1" in browser.get(f"/learners/{school.ids['l1']}").text
    assert "Name of other-l" not in browser.get("/learners").text
