"""The three flows, walked in a real browser: the teacher's, the learner's and the examiner's; much of it by keyboard alone."""

import httpx2 as httpx

from kerfmark.sittings.pieces import piece as piece_page
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.roles import actor_of


def test_a_teacher_opens_a_sitting_seats_a_roster_and_sees_it_add_up(desk, served):
    at = desk("tessa")
    page = at.page
    page.get_by_role("link", name="Open a sitting").click()
    page.get_by_label("Title", exact=True).fill("Block practice, group C")
    page.get_by_role("button", name="Open", exact=True).click()
    page.get_by_text("or type rows").click()
    page.get_by_label("Rows; the first names the columns").fill("code,name\nL-0201,Sora Nakamura\nL-0202,Paul Osei\n")
    page.get_by_role("button", name="Seat them").click()
    assert page.get_by_text("2 seated, 2 people new, 0 known already.").is_visible()
    assert page.get_by_text("Nothing lost: 2 of 2 accounted for").is_visible()
    page.get_by_label("Person").select_option(label="Elin Haddad")
    page.get_by_role("button", name="Appoint").click()
    assert page.get_by_role("row", name="Elin Haddad examiner").is_visible()


def test_a_form_clicked_twice_is_sent_once_and_again_after_going_back(desk, served):
    at = desk("tessa")
    page = at.page
    at.go("/sittings/new")
    page.get_by_label("Title", exact=True).fill("Clicked twice")
    page.get_by_role("button", name="Open", exact=True).dblclick()
    page.wait_for_url("**/sittings/*?done=opened")
    at.go("/sittings")
    assert page.get_by_role("link", name="Clicked twice").count() == 1
    at.go("/sittings/new")
    page.get_by_label("Title", exact=True).fill("Sent, then sent again")
    page.get_by_role("button", name="Open", exact=True).click()
    page.wait_for_url("**/sittings/*?done=opened")
    page.go_back()
    page.get_by_label("Title", exact=True).fill("Sent, then sent again")
    page.get_by_role("button", name="Open", exact=True).click()
    page.wait_for_url("**/sittings/*?done=opened")
    at.go("/sittings")
    assert page.get_by_role("link", name="Sent, then sent again").count() == 2


def test_words_typed_stay_through_leaving_the_page_and_through_a_session_that_ends(desk, served):
    """Only a page that says that they are kept lets go of them."""
    at = desk("tessa")
    page, piece = at.page, served.ids["seen"]
    words = "The wall leans mesially.\n\nLook from above."

    def type_in():
        at.go(f"/pieces/{piece}")
        page.locator("summary", has_text="Pin a note").click()
        return page.get_by_label("Words")

    type_in().fill(words)
    at.go("/sittings")
    assert type_in().input_value() == words
    page.context.clear_cookies()
    page.get_by_role("button", name="Pin it").click()
    assert page.get_by_role("alert").inner_text().startswith("That did not go through: You were signed out")
    assert page.get_by_label("text", exact=True).input_value() == words
    page.fill("#login", "tessa")
    page.fill("#password", "four plain words here")
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Send it once more").click()
    page.get_by_text("The note is pinned.").wait_for()
    assert page.locator(".notes").get_by_text("Look from above.").is_visible()
    page.locator("summary", has_text="Pin a note").click()
    assert page.get_by_label("Words").input_value() == ""
    for _ in range(2):  # going back asks for pages and sends no form again
        page.go_back()
        assert f"/pieces/{piece}" in page.url
        assert page.locator("summary", has_text="Pin a note").is_visible()
    assert page.locator(".notes").get_by_text("Look from above.").count() == 1
    assert at.complaints == ["Failed to load resource: the server responded with a status of 401 (Unauthorized)"]
    at.complaints.clear()


def test_an_open_page_shows_a_piece_as_it_arrives(desk, served):
    from kerfmark.sittings.handing_in import hand_in
    from kerfmark.sittings.opening import open_sitting
    from kerfmark.sittings.seating import seat_learners

    teacher = actor_of(served.store, served.ids["tessa"])
    sitting = open_sitting(
        served.store, teacher, title="Live", site_id=served.ids["site"], exercise_id=served.ids["exercise"]
    )
    seat_learners(served.store, teacher, sitting, [served.ids["milo"]])
    at = desk("tessa")
    at.go(f"/sittings/{sitting}")
    assert at.page.get_by_text("1 nothing yet").is_visible()
    hand_in(
        served.store,
        actor_of(served.store, served.ids["milo"]),
        content=b"arrives",
        file_name="p.stl",
        sitting_id=sitting,
    )
    at.page.get_by_text("1 handed in").wait_for(timeout=15_000)


def test_what_arrives_before_an_open_page_listens_is_shown_too(desk, served):
    from kerfmark.sittings.handing_in import hand_in
    from kerfmark.sittings.opening import open_sitting
    from kerfmark.sittings.seating import seat_learners

    teacher, milo = (actor_of(served.store, served.ids[who]) for who in ("tessa", "milo"))
    sitting = open_sitting(
        served.store, teacher, title="Early", site_id=served.ids["site"], exercise_id=served.ids["exercise"]
    )
    seat_learners(served.store, teacher, sitting, [served.ids["milo"]])
    at = desk("tessa")

    def hand_in_first(route):
        hand_in(served.store, milo, content=b"early", file_name="p.stl", sitting_id=sitting)
        route.continue_()

    at.page.route("**/events", hand_in_first)
    at.go(f"/sittings/{sitting}")
    at.page.get_by_text("1 handed in").wait_for(timeout=15_000)


def test_an_open_page_shows_a_rig_s_session_as_it_begins_goes_on_and_ends(desk, served):
    from kerfmark.sittings import access
    from kerfmark.sittings.opening import open_sitting
    from kerfmark.sittings.people import add_person
    from kerfmark.sittings.seating import seat_learners

    teacher, site = actor_of(served.store, served.ids["tessa"]), served.ids["site"]
    sitting = open_sitting(served.store, teacher, title="At the rigs", site_id=site, exercise_id=served.ids["exercise"])
    seat_learners(served.store, teacher, sitting, [served.ids["milo"], served.ids["ines"]])
    technician = add_person(served.store, PROGRAM, code="tech-1", name="Uta Lind", roles=[("technician", site)])
    _, key = access.make_station_key(served.store, actor_of(served.store, technician), site_id=site, rig="Bench 4")

    def rig(method, **told):
        body = {"learner": "milo-1", "sitting": sitting, **told}
        headers = {"authorization": f"Bearer {key}"}
        answer = httpx.request(method, f"{served.address}/api/v1/running/a1", json=body, headers=headers)
        assert answer.status_code == 200

    at = desk("tessa")
    at.go(f"/sittings/{sitting}")
    at.page.evaluate("window.loadedOnce = true")
    seat = at.page.get_by_role("row", name="Milo Ferreira")
    assert seat.get_by_text("nothing yet").is_visible()
    rig("PUT", recorded_s=4.0)
    seat.get_by_text("cutting now on Bench 4, 0 min 04 s").wait_for(timeout=15_000)
    rig("PUT", recorded_s=65.4)
    seat.get_by_text("cutting now on Bench 4, 1 min 05 s").wait_for(timeout=15_000)
    assert at.page.get_by_text("cutting now").count() == 1
    rig("DELETE")
    seat.get_by_text("nothing yet").wait_for(timeout=15_000)
    assert at.page.evaluate("window.loadedOnce")


def test_a_learner_judges_by_keys_alone_and_then_sees_the_readings(desk, served):
    at = desk("ines")
    page, unseen = at.page, served.ids["unseen"]
    at.go(f"/pieces/{unseen}")
    assert page.url.endswith("/judge")
    assert "±" not in page.locator("main").inner_text()
    page.locator(".question input").first.focus()
    n = page.locator(".question").count()
    for k in range(n):
        page.keyboard.press("3" if k == 1 else "1")
        if k != 1:
            page.keyboard.press("w")
        page.keyboard.press("ArrowDown")
    assert page.get_by_text(f"{n} of {n} judged").is_visible()
    page.get_by_role("button", name="Show the readings").focus()
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Your view beside the readings").first.wait_for()
    assert "you could not tell" in page.content()
    assert "±" in page.locator("main").inner_text()
    page.get_by_label("What next time?").fill("Look at the corner earlier.")
    page.get_by_role("button", name="Keep").click()
    assert page.get_by_text("What you wrote is kept.").is_visible()


def test_a_learner_judges_without_any_script(chromium, served):
    """The forms are plain: views and the reveal need no script at all."""
    from kerfmark.sittings.handing_in import hand_in

    ines = actor_of(served.store, served.ids["ines"])
    made = hand_in(
        served.store, ines, content=b"no script", file_name="p.ply", sitting_id=served.ids["practice"]
    ).piece_id
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{served.address}/sign-in")
    page.fill("#login", "ines")
    page.fill("#password", "four plain words here")
    page.get_by_role("button", name="Sign in").click()
    page.goto(f"{served.address}/pieces/{made}/judge")
    for question in page.locator(".question").all():
        question.locator('label:has(input[value="inside"])').click()
        question.locator('label:has(input[value="guess"])').click()
        assert question.locator('svg [data-view="inside"]').first.is_visible()
        assert not question.locator('svg [data-view="outside"]').first.is_visible()
    page.get_by_role("button", name="Show the readings").click()
    assert piece_page(served.store, PROGRAM, made).own_view is not None
    context.close()


def test_an_examiner_decides_by_keys_and_a_lead_signs_and_releases(desk, served):
    examiner, made = desk("elin"), served.ids["exam piece"]
    page = examiner.page
    assert page.url.endswith("/queue")
    page.get_by_role("link", name="Decide piece").first.click()
    assert "Ines Okafor" not in page.content()
    for row in page.locator(".decision:visible").all():
        row.locator("input").first.focus()
        page.keyboard.press("1")
        page.keyboard.type("Seen from above it is clear.")
    page.get_by_role("button", name="Keep rulings").click()
    page.get_by_text("Your rulings are kept.").wait_for()
    lead = desk("ruth")
    lead.go(f"/sittings/{served.ids['exam']}")
    lead.page.get_by_role("button", name="Close sitting").click()
    lead.page.get_by_role("button", name="Sign 1 settled").click()
    assert lead.page.get_by_text("1 piece signed.").is_visible()
    lead.page.get_by_role("button", name="Release").click()
    assert lead.page.get_by_text("Released: every learner sees their mark.").is_visible()
    found = piece_page(served.store, PROGRAM, made)
    assert (found.word, found.signed_by) == ("signed", "Ruth Adeyemi")


def test_a_limit_is_dragged_stepped_and_put_back(desk, served):
    at = desk("tessa")
    page = at.page
    at.go(f"/limits/{served.ids['exercise']}?c=1")
    jaw = page.locator(".jaw").first
    before = page.locator("#limits-form input[type=number]").first.input_value()
    jaw.focus()
    with page.expect_response(lambda answer: "/trial?" in answer.url):
        page.keyboard.press("Shift+ArrowLeft")
    stepped = page.locator("#limits-form input[type=number]").first.input_value()
    assert stepped != before
    page.wait_for_function("document.activeElement.classList.contains('jaw')")
    with page.expect_response(lambda answer: "/trial?" in answer.url):
        page.keyboard.press("Escape")
    assert float(page.locator("#limits-form input[type=number]").first.input_value()) == float(before)
    page.wait_for_function("document.activeElement.classList.contains('jaw')")
    box = page.locator(".jaw rect").first.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 30)
    page.mouse.down()
    with page.expect_response(lambda answer: "/trial?" in answer.url):
        page.mouse.move(box["x"] + box["width"] / 2 - 40, box["y"] + 30, steps=4)
    page.mouse.up()
    assert float(page.locator("#limits-form input[type=number]").first.input_value()) != float(before)


def test_find_and_keys_have_keys_of_their_own_that_can_be_switched_off(desk):
    at = desk("tessa")
    at.page.keyboard.press("/")
    assert at.page.evaluate("document.activeElement.id") == "find"
    at.page.keyboard.press("Escape")
    at.page.evaluate("document.activeElement.blur()")
    at.page.keyboard.press("?")
    at.page.wait_for_url("**/keys")
    at.page.get_by_role("button", name="Switch single letters off").click()
    at.go("/sittings")
    at.page.keyboard.press("?")
    assert at.page.url.endswith("/sittings")
