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


def test_an_earlier_cohort_and_an_action_stand_beside_the_marks(school, visit):
    sitting = school.sitting()
    school.measured(sitting, "l1", ["out"])
    browser = visit("lead")
    table = b"learner,by,exercise,score\n" + b"".join(
        f"A{n},measured,layered-block,{60 + n % 20}\n".encode() for n in range(12)
    )
    sent = browser.post("/evidence/papers/earlier", {"name": "last year"}, files={"file": ("old.csv", table)})
    assert sent.headers["location"] == "/evidence?exercise=&done=earlier"
    action = {
        "about": "criterion 2",
        "action": "ask whether the limit\ntells apart",
        "owner": "criteria group",
        "by": "2026-12-01",
    }
    assert browser.post("/evidence/papers/actions", action).status_code == 303
    page = browser.get("/evidence?ask=1").text
    assert "last year" in page
    assert "ask whether the limit tells apart" in page


def test_a_paper_that_is_not_one_is_refused_with_its_row(school, visit):
    browser = visit("lead")
    bad = b"method,judge,item,value,count\nangoff,J1,1,many,\n"
    answer = browser.post("/evidence/papers/panel", {}, files={"file": ("panel.csv", bad)})
    assert (answer.status_code, "not a panel&#39;s file" in answer.text) == (422, True)
    assert "none was chosen" in browser.post("/evidence/papers/panel", {}).text
    assert (
        "row 2: learner"
        in browser.post(
            "/evidence/papers/earlier", {"name": "x"}, files={"file": ("e.csv", b"learner,by,score\n,measured,3\n")}
        ).text
    )
    assert browser.post("/evidence/papers/minutes", {}, files={"file": ("m.csv", b"x")}).status_code == 422


def test_only_a_lead_puts_papers_beside_the_marks(school, visit):
    assert visit("auditor").post("/evidence/papers/actions", {"action": "a", "owner": "b"}).status_code == 403
    assert "Put beside the marks" not in visit("auditor").get("/evidence").text
    assert visit("teacher").get("/evidence/line").status_code == 403


def test_another_sites_lead_sees_none_of_the_papers(school, visit):
    visit("lead").post("/evidence/papers/actions", {"action": "a thing agreed here", "owner": "b"})
    school.sitting()
    assert "Take back actions" in visit("lead").get("/evidence").text
    assert "Take back actions" not in visit("other-lead").get("/evidence").text
