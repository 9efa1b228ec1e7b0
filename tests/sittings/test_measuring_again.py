"""Pieces that were set aside are measured once more, whatever the reason was, and lose nothing by it."""

import pytest
from tests.school import assessed, piece_row

from kerfmark.errors import ConflictError, MissingError, RightsError
from kerfmark.sittings.apart import SetAside
from kerfmark.sittings.measuring_again import measure_again, measure_set_aside
from kerfmark.sittings.pieces import piece
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.work import claim, finish


def set_aside(school, held, content=b"solid piece"):
    made = school.handed_in(held, content=content).piece_id
    taken = claim(school.store, "a test", seconds=60)
    assert finish(school.store, taken, SetAside("it took longer than 1 s. Hand in a smaller file."))
    return made


def test_a_piece_set_aside_waits_again_and_is_measured(school):
    made = set_aside(school, school.sitting())
    assert piece(school.store, PROGRAM, made).word == "set aside"
    measure_again(school.store, school["technician"], made)
    assert (piece_row(school.store, made).state, piece_row(school.store, made).reason) == ("received", None)
    assert finish(school.store, claim(school.store, "a test", seconds=60), assessed(school.criteria))
    page = piece(school.store, PROGRAM, made)
    assert (page.word, page.attempt, len(page.readings)) == ("settled", 1, len(school.criteria))


def test_all_of_a_sitting_are_measured_again_at_once(school):
    held = school.sitting()
    for n in range(3):
        set_aside(school, held, content=f"piece {n}".encode())
    school.measured(held, "L2", content=b"a good one")
    assert measure_set_aside(school.store, school["teacher"], held) == 3
    assert measure_set_aside(school.store, school["teacher"], held) == 0


def test_a_piece_that_was_measured_is_not_measured_again(school):
    made = school.measured(school.sitting())
    with pytest.raises(ConflictError, match="expected one that was set aside"):
        measure_again(school.store, school["teacher"], made)


def test_an_attempt_used_meanwhile_is_not_used_twice(school):
    held = school.sitting("exam")
    made = set_aside(school, held)
    school.handed_in(held, content=b"the second try")
    with pytest.raises(ConflictError, match="all attempts are used"):
        measure_again(school.store, school["teacher"], made)
    assert measure_set_aside(school.store, school["teacher"], held) == 0


def test_a_file_that_was_let_go_cannot_be_measured(school):
    made = set_aside(school, school.sitting())
    with school.store.write() as tx:
        from kerfmark.storage.schema import Blob

        tx.get(Blob, piece_row(school.store, made).blob).erased_at = tx.now
    with pytest.raises(ConflictError, match="was let go"):
        measure_again(school.store, school["teacher"], made)


@pytest.mark.parametrize(
    ("who", "error"), [("auditor", RightsError), ("L1", MissingError), ("other teacher", MissingError)]
)
def test_who_does_not_hand_in_for_learners_does_not_have_pieces_measured_again(school, who, error):
    held = school.sitting()
    made = set_aside(school, held)
    with pytest.raises(error):
        measure_again(school.store, school[who], made)
    with pytest.raises(error):
        measure_set_aside(school.store, school[who], held)
