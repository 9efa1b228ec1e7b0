"""Teeth set along an arch, and the neighbours of one tooth."""

import numpy as np
import pytest
import trimesh

from kerfmark.anatomy.arch import GAP_MM, arch, neighbours, placed_about
from kerfmark.anatomy.notation import mesial_sign
from kerfmark.errors import InputError


@pytest.fixture(scope="module", params=["upper", "lower"])
def whole(request):
    return arch(request.param)


def test_an_arch_holds_its_fourteen_teeth_in_order(whole):
    right, left = (1, 2) if whole.jaw == "upper" else (4, 3)
    expected = [10 * right + n for n in range(7, 0, -1)] + [10 * left + n for n in range(1, 8)]
    codes = [p.fdi for p in whole.teeth]
    assert codes == expected or codes == expected[::-1]


def test_neighbours_touch_without_overlapping(whole):
    # Each tooth's own field at its neighbour's surface points; 0.02 mm is the gap built in, 0.01 mm the field's and the
    # 0.2 mm mesh's share.
    for first, second in zip(whole.teeth[:-1], whole.teeth[1:], strict=True):
        gap = first.field(second.surface(edge_mm=0.2).vertices_mm).min()
        assert gap == pytest.approx(GAP_MM, abs=0.012)


def test_both_sides_of_an_arch_are_mirror_images(whole):
    flip = np.array([-1.0, 1.0, 1.0])
    for a, b in zip(whole.teeth, whole.teeth[::-1], strict=True):
        assert a.matrix[:3, 3] * flip == pytest.approx(b.matrix[:3, 3], abs=0.02)


def test_widths_between_the_teeth_are_those_of_adult_arches(whole):
    # Source: common practice: canine tips 33 to 37 mm apart above, 24 to 28 below; first molars' middles 44 to 52 mm.
    at = {p.fdi % 10: abs(p.matrix[0, 3]) for p in whole.teeth}
    tips = {
        p.fdi % 10: abs((p.matrix @ [*p.form.sites["cusp tip"].point_mm, 1])[0]) for p in whole.teeth if p.fdi % 10 == 3
    }
    low, high = (31, 38) if whole.jaw == "upper" else (23, 29)
    assert low < 2 * tips[3] < high
    assert 42 < 2 * at[6] < 54


def test_the_lower_curve_of_spee_sinks_between_its_ends():
    # Source: common practice: 1 to 2 mm deep, measured from the incisal edge to the last molar's cusps.
    teeth = [p for p in arch("lower").teeth if p.matrix[0, 3] > 0]
    tops = [p.surface(edge_mm=0.2).vertices_mm[:, 2].max() for p in sorted(teeth, key=lambda p: p.fdi)]
    chord = np.linspace(tops[0], tops[-1], len(tops))
    assert 0.4 < max(chord - tops) < 2.0


def test_a_missing_tooth_keeps_its_room():
    full, gapped = arch("lower"), arch("lower", missing=[36])
    place = {p.fdi: p.matrix for p in full.teeth}
    assert 36 not in [p.fdi for p in gapped.teeth]
    assert [p.fdi for p in gapped.empty] == [36]
    assert all(np.array_equal(p.matrix, place[p.fdi]) for p in gapped.teeth)
    assert not any(36 in contact.between for contact in gapped.contacts)


@pytest.mark.parametrize("fdi", [11, 24, 36, 46, 47])
def test_the_mesial_neighbour_stands_on_the_mesial_side(fdi):
    beside = placed_about(fdi)
    assert np.sign(beside["mesial"].matrix[0, 3]) == mesial_sign(fdi)
    assert np.sign(beside["distal"].matrix[0, 3]) == -mesial_sign(fdi)


def test_neighbours_are_closed_and_the_last_molar_has_none_behind():
    beside = neighbours(48, edge_mm=0.3)
    assert list(beside) == ["mesial"]
    mesh = trimesh.Trimesh(beside["mesial"].vertices_mm, beside["mesial"].faces, process=False)
    assert mesh.volume > 400


def test_primary_teeth_have_no_neighbours_to_offer():
    with pytest.raises(InputError, match="primary"):
        neighbours(75)


@pytest.mark.parametrize(
    ("arguments", "says"), [({"jaw": "left"}, "upper or lower"), ({"jaw": "upper", "missing": [36]}, "36 is not in")]
)
def test_an_arch_that_cannot_be_is_refused(arguments, says):
    with pytest.raises(InputError, match=says):
        arch(**arguments)
