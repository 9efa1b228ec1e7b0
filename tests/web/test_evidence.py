"""Evidence over what is kept: asked on demand, answered once until something changes."""


def test_nothing_is_worked_out_before_it_is_asked(school, visit):
    page = visit("lead").get("/evidence").text
    assert "Choose which marks, then ask" in page
    assert 'id="figures"' not in page


def test_without_any_piece_the_page_says_why_there_is_no_answer(school, visit):
    assert "there is nothing to ask" in visit("lead").get("/evidence?ask=1").text


def test_the_answers_come_with_their_figures_as_data_and_no_inline_script(school, visit):
    sitting = school.sitting()
    school.measured(sitting, "l1", ["out"])
    school.measured(sitting, "l2", content=b"another")
    page = visit("lead").get("/evidence?ask=1").text
    assert "What do the marks look like?" in page
    assert '<script type="application/json" id="figures">' in page
    assert 'src="/static/charts.js' in page
