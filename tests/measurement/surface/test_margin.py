"""The cavosurface margin and the cells, on pockets whose rims and volumes are known."""

import numpy as np
import pytest
from block_phantoms import BLOCK, LESION, POCKETS, Blank, aligned

from kerfmark.geometry.solids import difference, intersection
from kerfmark.measurement.surface.bench import Bench
from kerfmark.measurement.surface.cells import cells_of, layer_at
from kerfmark.measurement.surface.margin import margins_of


def facing(margin, direction):
    """Points of the margin whose wall lies towards a direction."""
    return margin.inward @ -np.asarray(direction, float) > 0.99


@pytest.mark.parametrize(("noise_um", "within_mm", "within_deg"), [(0.0, 1e-6, 1e-3), (10.0, 0.01, 1.5)])
@pytest.mark.parametrize("name", ["as planned", "leaning walls"])
def test_the_margin_lies_where_the_wall_meets_the_top(blocks, scan, name, noise_um, within_mm, within_deg):
    # Truth: the planes the pocket was cut with, at the top face. A straight wall has 90° through the block.
    pocket, blank = POCKETS[name], blocks[name]
    (margin,) = margins_of(Bench(scan(blank, noise_um=noise_um), blank.prepared))
    low, high = pocket.corners(floor=True), pocket.corners(floor=False)
    rim = low + (high - low) * pocket.depth_mm / (pocket.depth_mm + 0.5)
    for wall, direction, axis, corner in (
        ("mesial", [1, 0, 0], 0, rim[1]),
        ("distal", [-1, 0, 0], 0, rim[0]),
        ("buccal", [0, 1, 0], 1, rim[2]),
        ("lingual", [0, -1, 0], 1, rim[0]),
    ):
        here = facing(margin, direction)
        assert here.sum() > 10
        assert np.median(margin.points_mm[here, axis]) == pytest.approx(corner[axis], abs=within_mm)
        lean = pocket.lean_deg.get(wall, 0.0)
        assert np.nanmedian(margin.angle_deg[here]) == pytest.approx(90.0 + lean, abs=within_deg)
    assert np.abs(margin.points_mm[:, 2]).max() < 0.02


def test_nothing_cut_has_no_margin(blocks, scan):
    uncut = Blank(blocks["as planned"].prepared, BLOCK, {})
    assert margins_of(Bench(scan(uncut, noise_um=10.0), uncut.prepared)) == ()


def test_cells_add_up_to_the_volumes_of_the_solids(blocks, scan):
    # Truth: booleans of the solids. Across the columns 20 µm over the pocket's rim and floor.
    blank = blocks["leaning walls"]
    cells = cells_of(Bench(scan(blank, noise_um=0.0), blank.prepared), low_mm=-3.0, high_mm=0.2)
    gone = intersection(POCKETS["leaning walls"].solid(), BLOCK).volume_mm3
    assert float(cells.gone.sum()) * cells.cell_mm3 == pytest.approx(gone, rel=0.005)
    middles = cells.middles(cells.gone > 0.5)
    assert middles[:, 2].min() == pytest.approx(-2.0, abs=0.06)
    assert cells.is_left([[5.0, 4.0, -1.0], [0.0, 0.0, -1.0], [0.0, 0.0, 9.0]]).tolist() == [True, False, False]


def test_the_later_layer_holds_a_point(blocks, scan):
    blank = blocks["as planned"]
    bench = Bench(scan(blank), blank.prepared)
    assert bench.layer_names == ("body", "lesion")
    assert layer_at(bench, [[0, 0, -1.0], [4, 0, -1.0], [0, 0, 3.0]]).tolist() == [1, 0, -1]


def test_a_hole_of_the_scan_is_no_margin(blocks, scan):
    blank = blocks["as planned"]
    piece = scan(blank)
    middle = piece.surface.vertices_mm[piece.surface.faces].mean(axis=1)
    kept = piece.surface.faces[np.linalg.norm(middle - [0, 0, -2.0], axis=1) > 0.5]
    holed = aligned(type(piece.surface)(piece.surface.vertices_mm, kept))
    assert len(kept) < len(piece.surface.faces)
    assert len(margins_of(Bench(holed, blank.prepared))) == 1


def test_two_cuts_have_two_margins(blocks, scan):
    from kerfmark.geometry.solids import Solid

    two = difference(BLOCK, Solid.box([-5, -4, -1], [-2, -1, 1]), Solid.box([2, 1, -1], [4, 3, 1]))
    assert LESION.volume_mm3 == pytest.approx(36.0)
    blank = Blank(blocks["as planned"].prepared, two, {})
    found = margins_of(Bench(scan(blank), blank.prepared))
    assert [round(m.length_mm) for m in found] == [12, 8]
