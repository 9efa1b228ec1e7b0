"""`POST /api/v1/pieces` as decision 12 writes it: once, whatever happens on the way."""

import hashlib

import pytest

from kerfmark.sittings import access
from kerfmark.sittings.exercises import exercise
from kerfmark.sittings.pieces import pieces
from kerfmark.spool import idempotency_key
from kerfmark.web.app import create_app
from kerfmark.web.options import WebOptions

CONTENT = b"solid piece"
SHA256 = hashlib.sha256(CONTENT).hexdigest()


@pytest.fixture
def station(school):
    """Id and secret of a rig's key."""
    return access.make_station_key(school.store, school["technician"], site_id=school.site, rig="rig 7")


@pytest.fixture
def send(school, station, school_app, open_browser):
    """A function that hands in as the rig."""
    browser, version = open_browser(of=school_app), exercise(school.store, school["lead"], school.exercise).line.version

    def sending(content=CONTENT, learner="l1-code", secret=station[1], key=None, **fields):
        digest = hashlib.sha256(content).hexdigest()
        made = idempotency_key(digest, version=version, station=station[0], learner=learner)
        headers = {"authorization": f"Bearer {secret}", "idempotency-key": made if key is None else key}
        data = {"sha256": digest, "learner": learner, "exercise": version, **fields}
        return browser.send(
            "POST", "/api/v1/pieces", headers=headers, data=data, files={"piece": ("piece.stl", content)}
        )

    return sending


def test_a_rig_hands_a_piece_in_once_and_is_told_the_same_again(school, send):
    school.sitting()
    first, again = send(), send()
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["sha256"] == SHA256
    assert again.json() == first.json() | {"repeated": True}
    assert len(pieces(school.store, school["l1"])) == 1


def test_a_key_that_comes_with_another_file_is_a_conflict(school, send):
    school.sitting()
    assert send(key="a" * 64).status_code == 201
    assert send(b"another piece", key="a" * 64).status_code == 409
    assert len(pieces(school.store, school["l1"])) == 1


def test_the_same_file_under_another_key_is_the_same_piece(school, send):
    school.sitting()
    first = send(key="a" * 64).json()
    assert send(key="b" * 64).json() == first | {"repeated": True}


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"sha256": "0" * 64}, "damaged on the way"),
        ({"sha256": "short"}, "64 hexadecimal digits"),
        ({"unit": "ell"}, "unit is 'ell'"),
    ],
)
def test_what_is_wrong_is_said_in_a_problem_s_detail(school, send, fields, words):
    # Source of the form: RFC 9457.
    school.sitting()
    answer = send(**fields)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert words in answer.json()["detail"]


@pytest.mark.parametrize("secret", ["", "ks_nobody", "kt_nobody"])
def test_without_a_valid_key_nothing_is_taken(school, send, secret):
    school.sitting()
    answer = send(secret=secret)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == "Bearer"


def test_a_stopped_key_and_another_site_s_key_hand_nothing_in(school, send, station):
    school.sitting()
    elsewhere = access.make_station_key(school.store, school["other-lead"], site_id=school.other_site, rig="rig 1")
    assert send(secret=elsewhere[1]).status_code == 404
    access.stop_station_key(school.store, school["technician"], station[0])
    assert send().status_code == 401


def test_a_station_key_can_do_nothing_else(school, station, school_app, open_browser):
    sitting = school.sitting()
    browser, headers = open_browser(of=school_app), {"authorization": f"Bearer {station[1]}"}
    for address in ("/sittings", "/pieces", "/queue", "/people"):
        assert browser.get(f"/api/v1{address}", headers=headers).json() == []
    for address in ("/audit", f"/sittings/{sitting}"):
        assert browser.get(f"/api/v1{address}", headers=headers).status_code in (403, 404)


def test_too_many_for_one_learner_wait_and_others_do_not(school, settings, station, open_browser):
    sitting = school.sitting()
    app = create_app(school.store, options=WebOptions(submissions_a_minute=1), settings=settings)
    browser, headers = open_browser(of=app), {"authorization": f"Bearer {station[1]}"}

    def sent(learner, content):
        return browser.send(
            "POST",
            "/api/v1/pieces",
            headers=headers,
            data={"learner": learner, "sitting": sitting},
            files={"piece": ("p.stl", content)},
        )

    assert [sent("l1-code", b"1").status_code, sent("l2-code", b"1").status_code] == [201, 201]
    answer = sent("l1-code", b"2")
    assert answer.status_code == 429
    assert 0 < int(answer.headers["retry-after"]) <= 60


def test_a_learner_s_own_token_hands_in_for_themselves(school, school_app, open_browser):
    sitting = school.sitting()
    _, secret = access.make_token(school.store, school["l2"], name="my script", scopes=["submit"])
    browser = open_browser(of=school_app)
    answer = browser.send(
        "POST",
        "/api/v1/pieces",
        headers={"authorization": f"Bearer {secret}"},
        data={"sitting": sitting},
        files={"piece": ("p.stl", b"x")},
    )
    assert answer.status_code == 201
    assert len(pieces(school.store, school["l2"])) == 1
