"""Handing in: once whatever comes twice, only where it is allowed, and nothing kept of what is refused."""

import io
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest

from kerfmark.errors import ConflictError, InputError, MissingError
from kerfmark.sittings.access import actor_of_secret, make_station_key, make_token, stop_station_key
from kerfmark.sittings.handing_in import hand_in
from kerfmark.sittings.notes import add_note
from kerfmark.sittings.opening import close_sitting
from kerfmark.sittings.piece_files import drawing, keep_drawing, piece_files
from kerfmark.sittings.pieces import piece, pieces
from kerfmark.sittings.rights import Actor
from kerfmark.spool import station_of
from kerfmark.storage.schema import Blob, Job, Piece


def counts(store):
    with store.read() as tx:
        return len(tx.all(Piece)), len(tx.all(Job)), len(tx.all(Blob))


def test_the_same_piece_sent_twice_is_one_piece(school):
    held = school.sitting()
    first, second = school.handed_in(held), school.handed_in(held)
    assert (first.piece_id, first.attempt, second.repeated) == (second.piece_id, 1, True)
    assert counts(school.store)[:2] == (1, 1)


def test_a_piece_sent_ten_times_at_once_is_one_piece(school):
    held = school.sitting()
    actor = school["L1"]

    def send(_: int):
        return hand_in(
            school.store, actor, content=io.BytesIO(b"the same"), file_name="a.stl", sitting_id=held, key="ab" * 32
        )

    with ThreadPoolExecutor(10) as pool:
        receipts = list(pool.map(send, range(10)))
    assert len({r.piece_id for r in receipts}) == 1
    assert sum(not r.repeated for r in receipts) == 1
    assert counts(school.store)[:2] == (1, 1)


def test_attempts_of_one_learner_at_once_get_numbers_of_their_own(school):
    held, actor = school.sitting(), school["L1"]

    def send(number: int):
        return hand_in(
            school.store, actor, content=f"piece {number}".encode(), file_name="a.stl", sitting_id=held
        ).attempt

    with ThreadPoolExecutor(8) as pool:
        assert sorted(pool.map(send, range(8))) == list(range(1, 9))


def test_a_key_that_came_with_another_piece_is_refused(school):
    held = school.sitting()
    hand_in(school.store, school["L1"], content=b"one", file_name="a.stl", sitting_id=held, key="ab" * 32)
    with pytest.raises(ConflictError, match="came with another piece"):
        hand_in(school.store, school["L1"], content=b"two", file_name="a.stl", sitting_id=held, key="ab" * 32)


def test_a_piece_damaged_on_the_way_is_refused(school):
    with pytest.raises(InputError, match="damaged on the way"):
        hand_in(
            school.store, school["L1"], content=b"one", file_name="a.stl", sitting_id=school.sitting(), sha256="0" * 64
        )


def test_an_exam_takes_one_attempt_and_what_was_set_aside_does_not_count(school):
    held = school.sitting("exam")
    made = school.handed_in(held)
    with pytest.raises(ConflictError, match="all attempts are used"):
        school.handed_in(held, content=b"another")
    with school.store.write() as tx:
        tx.get(Piece, made.piece_id).state = "set aside"
    assert school.handed_in(held, content=b"another").attempt == 2


def test_a_closed_sitting_takes_nothing_new_but_says_again_what_it_took(school):
    held = school.sitting()
    first = school.handed_in(held)
    close_sitting(school.store, school["teacher"], held)
    assert school.handed_in(held).piece_id == first.piece_id
    with pytest.raises(ConflictError, match="the sitting is closed"):
        school.handed_in(held, content=b"too late")


def test_a_sitting_takes_pieces_between_its_times_only(school):
    soon = datetime.now(UTC) + timedelta(hours=1)
    with pytest.raises(ConflictError, match="opens at"):
        school.handed_in(school.sitting(opens_at=soon))
    over = datetime.now(UTC) - timedelta(hours=1)
    held = school.sitting(opens_at=over - timedelta(hours=1), closes_at=over)
    with pytest.raises(ConflictError, match="the sitting is closed"):
        school.handed_in(held)


def test_a_station_hands_in_for_learners_of_its_site_until_it_is_stopped(school):
    held = school.sitting()
    station_id, secret = make_station_key(school.store, school["technician"], site_id=school.site, rig="R1")
    assert station_of(secret) == station_id
    actor = actor_of_secret(school.store, secret)
    made = hand_in(school.store, actor, content=b"one", file_name="a.stl", learner="L2", sitting_id=held)
    assert piece(school.store, school["L2"], made.piece_id).rig == "R1"
    stop_station_key(school.store, school["technician"], station_id)
    assert actor_of_secret(school.store, secret) is None


def test_a_station_of_another_site_hands_in_nothing_here(school):
    held = school.sitting()
    elsewhere = Actor(station_id="x", site_id=school.other_site, scopes=frozenset(["submit"]))
    with pytest.raises(MissingError, match="no seat of learner L2"):
        hand_in(school.store, elsewhere, content=b"one", file_name="a.stl", learner="L2", sitting_id=held)


@pytest.mark.parametrize("who", ["L2", "E1", "auditor", "other teacher"])
def test_nobody_hands_in_for_somebody_else_without_the_right(school, who):
    with pytest.raises(MissingError):
        hand_in(school.store, school[who], content=b"one", file_name="a.stl", learner="L1", sitting_id=school.sitting())


def test_a_token_that_only_reads_hands_nothing_in(school):
    held = school.sitting()
    _, secret = make_token(school.store, school["L1"], name="a script", scopes=["read"])
    with pytest.raises(MissingError):
        hand_in(school.store, actor_of_secret(school.store, secret), content=b"one", file_name="a.stl", sitting_id=held)


def test_the_sitting_is_found_by_the_exercise_where_only_one_is_open(school):
    school.sitting()
    with school.store.read() as tx:
        from kerfmark.storage.schema import ExerciseVersion

        version = tx.get(ExerciseVersion, school.exercise).version
    hand_in(school.store, school["L1"], content=b"one", file_name="a.stl", version=version)
    school.sitting()
    with pytest.raises(ConflictError, match="several open sittings"):
        hand_in(school.store, school["L1"], content=b"two", file_name="a.stl", version=version)


def test_a_pieces_own_files_come_back_and_nothing_measured_is_drawn_before_the_own_view(school, tmp_path):
    made = school.measured(school.sitting())
    files = piece_files(school.store, school["L1"], made, tmp_path)
    assert files.piece.read_bytes() == b"solid piece"
    page = piece(school.store, school["teacher"], made)
    keep_drawing(school.store, page.assessment_id, "plain mesh", b"mesh")
    keep_drawing(school.store, page.assessment_id, "map", b"colours")
    assert piece(school.store, school["L1"], made).drawings == ("plain mesh",)
    assert drawing(school.store, school["L1"], made, "plain mesh") == b"mesh"
    from kerfmark.errors import RightsError

    with pytest.raises(RightsError, match="your own view first"):
        drawing(school.store, school["L1"], made, "map")
    assert drawing(school.store, school["teacher"], made, "map") == b"colours"


def test_a_teachers_note_waits_for_the_reveal(school):
    made = school.measured(school.sitting(own_view=False), where=["on"])
    add_note(school.store, school["teacher"], made, "Look at the far wall.", point_mm=(1.0, 2.0, 3.0))
    assert piece(school.store, school["L1"], made).notes == ()
    assert piece(school.store, school["lead"], made).notes[0].point_mm == (1.0, 2.0, 3.0)


def test_a_learner_lists_their_own_pieces_only(school):
    held = school.sitting()
    made = school.measured(held)
    assert [line.id for line in pieces(school.store, school["L1"])] == [made]
    assert pieces(school.store, school["L2"]) == []
    assert pieces(school.store, school["L2"], school.ids["L1"]) == []
