from hypothesis import given
from hypothesis import strategies as st

from kerfmark.reports.placement import Box, Room, along, around

SIDE = st.floats(0, 200)
BOXES = st.builds(
    lambda x, y, wide, high: Box(x, y, x + wide, y + high), SIDE, SIDE, st.floats(1, 60), st.floats(1, 30)
)


def test_touching_boxes_do_not_overlap():
    assert Box(0, 0, 10, 10).overlap(Box(10, 0, 20, 10)) == 0.0
    assert Box(0, 0, 10, 10).overlap(Box(5, 5, 20, 20)) == 25.0


@given(SIDE, SIDE, SIDE, SIDE)
def test_overlap_is_the_same_both_ways(a, b, c, d):
    one, two = Box(a, b, a + 20, b + 10), Box(c, d, c + 15, d + 30)
    assert one.overlap(two) == two.overlap(one)


def test_the_first_free_place_is_taken():
    room = Room(100, 100, [Box(0, 0, 50, 50)])
    places = [Box(10, 10, 20, 20), Box(60, 60, 70, 70), Box(80, 80, 90, 90)]
    assert room.choose(places) == 1
    assert room.choose(places) == 2


def test_what_sticks_out_of_the_drawing_costs_more_than_what_overlaps():
    room = Room(100, 100, [Box(0, 0, 50, 50)])
    assert room.choose([Box(95, 95, 115, 105), Box(40, 40, 60, 50)]) == 1


def test_lines_that_come_with_a_label_count_and_are_taken_with_it():
    room = Room(100, 100, [Box(0, 40, 100, 44)])
    crossing, clear = (
        (Box(10, 10, 20, 20), around((15, 20), (15, 60))),
        (Box(10, 60, 20, 70), around((15, 70), (15, 90))),
    )
    assert room.choose([crossing, clear]) == 1
    assert clear[1] in room.taken


def test_a_nearer_place_that_covers_little_is_taken_before_a_far_free_one():
    room = Room(200, 200, taken=[Box(0, 0, 3, 3)])
    near, far = Box(0, 0, 40, 20), Box(150, 150, 190, 170)
    assert Room(200, 200, taken=list(room.taken)).choose([near, far]) == 1
    assert room.choose([near, far], extra=[0.0, 60.0]) == 0


def test_a_slanting_line_takes_only_what_it_covers():
    # Source: the corner off the diagonal of a square lies in the diagonal's upright box, not under the diagonal.
    corner = Box(0, 80, 20, 100)
    assert sum(corner.overlap(box) for box in along((0.0, 0.0), (100.0, 100.0))) == 0.0
    assert sum(Box(45, 45, 55, 55).overlap(box) for box in along((0.0, 0.0), (100.0, 100.0))) > 0.0


@given(st.lists(BOXES, min_size=1, max_size=6), st.lists(BOXES, max_size=6))
def test_costs_of_many_boxes_at_once_are_those_of_one_after_another(asked, taken):
    # Source: the plain twin, box against box.
    room, ground = Room(120, 100, taken=list(taken)), Box(0, 0, 120, 100)
    plain = [sum(box.overlap(other) for other in taken) + 10.0 * (box.area - ground.overlap(box)) for box in asked]
    for box, cost in zip(asked, plain, strict=True):
        assert abs(room.cost(box) - cost) < 1e-6 * (1.0 + cost)
    least = min(range(len(asked)), key=lambda i: (round(plain[i], 6), i))
    assert abs(plain[room.choose(asked)] - plain[least]) < 1e-4 * (1.0 + plain[least])


def test_a_box_that_lies_nowhere_is_never_chosen():
    nowhere = Box(float("inf"), 0.0, float("inf"), 10.0)
    assert Room(100, 100, taken=[Box(0, 0, 50, 50)]).choose([nowhere, Box(0, 0, 50, 50)]) == 1
