"""Two stumps of one bridge: the common path and what it hides, against solids whose lean is known by construction."""

import math
from types import SimpleNamespace

import crown_phantoms as phantoms
import numpy as np
import pytest

from kerfmark.geometry.frames import rigid_inverse, rotation_about
from kerfmark.geometry.mesh import joined, transformed
from kerfmark.geometry.solids import Solid, difference, hull, intersection, union
from kerfmark.measurement.crown import CROWN, Bridge
from kerfmark.measurement.crown.insertion import RimNoise, _with_rims
from kerfmark.measurement.crown.path import path_u_deg

PATH, HIDDEN = "crown.abutments.common_path_deg", "crown.abutments.undercut_volume_mm3"
APART_MM = 22.0


def leaning(lean_deg, *, half_deg=4.0, about=(1.0, 0.0, 0.0)):
    return phantoms.Design(
        half_deg=half_deg, tilt_deg=lean_deg, tilt_about=about, foot_radius_mm=3.6, height_mm=4.0, tooth_radius_mm=5.0
    )


def on_a_level_floor(design):
    """A leaning cone on the tooth's own stump, cut level: the floor at height 0, and the cone alone."""
    lean = math.tan(math.radians(design.half_deg))
    bottom, top = design.foot_radius_mm + 1.5 * lean, design.foot_radius_mm - design.height_mm * lean
    cone = Solid.frustum(bottom, top, design.height_mm + 1.5, segments=phantoms.SEGMENTS).moved([0.0, 0.0, -1.5])
    cone = cone.transformed(design.turned)
    below = intersection(phantoms.tooth(design), Solid.box([-9.0, -9.0, -9.0], [9.0, 9.0, 0.0]))
    return union(below, cone), cone


def bridge(first, second, *, tip_deg=0.0, noise_um=0.0, edge_mm=0.2, cut=phantoms.preparation):
    """Both teeth in the frame of the first; the second stands beside it, its long axis tipped about x."""
    rng = np.random.default_rng(3)
    places = [np.eye(4), rotation_about([1.0, 0.0, 0.0], tip_deg)]
    places[1][0, 3] = APART_MM
    own, parts, subjects = [], [], []
    for number, (design, place) in enumerate(zip((first, second), places, strict=True)):
        subject = phantoms.tooth(design).surface()
        seen = phantoms.scan_of(cut(design), noise_um=noise_um, rng=rng, edge_mm=edge_mm)
        exercise = SimpleNamespace(tooth=(46, 44)[number], family="crown", source=SimpleNamespace(kind="scan"))
        own.append(phantoms.prepared_for(subject, frame=rigid_inverse(place), exercise=exercise))
        parts.append(transformed(seen, place))
        subjects.append(transformed(subject, place))
    whole = phantoms.prepared_for(joined(subjects), frame=np.eye(4), abutments=tuple(own))
    return Bridge(phantoms.piece_of(joined(parts), noise_um=noise_um), whole)


def take(of, *ids):
    return {r.key: r for m in CROWN if m.id in ids for r in m.function(of)}


def both(of):
    found = take(of, PATH, HIDDEN)
    return found[PATH, None, None], found[HIDDEN, None, None]


def test_parallel_stumps_hide_nothing_along_their_axes():
    path, hidden = both(bridge(leaning(0.0), leaning(0.0)))
    assert (path.value, hidden.value) == (0.0, 0.0)


def test_the_common_path_is_the_nearest_that_frees_both():
    # Built: 4° of taper, one stump leans 9°, the other 11° the same way. Free: 5 to 13° and 7 to 15°, nearest to upright 7°;
    # 0.03 mm, which do not count, over the wall that leans 11°, 3.3 mm from the floor to its rim, are 0.52° less. Within a quarter
    # of a degree: the search's and 3 u.
    path, hidden = both(bridge(leaning(9.0), leaning(11.0)))
    assert path.value == pytest.approx(7.0 - math.degrees(0.03 / 3.3), abs=0.25)
    assert hidden.value < 0.02  # the path lies where 0.03 mm begins to count: a finer map sees a sliver of that


def test_the_middle_of_the_long_axes_is_what_the_path_leans_from():
    # The second tooth is tipped by 8° and cut upright in it: the middle leans 4° from each, as much as the walls taper.
    path, hidden = both(bridge(leaning(0.0, half_deg=5.0), leaning(0.0, half_deg=5.0), tip_deg=8.0))
    assert path.value == pytest.approx(0.0, abs=0.05)
    assert hidden.value <= 0.005


@pytest.mark.parametrize("noise_um", [0.0, 10.0])
def test_what_no_path_frees_is_hidden_along_the_best_one(noise_um):
    # Built: 3° of taper, leaning 13° to lingual and 13° to buccal: 20° of overhang to be shared, as it is along upright.
    # Truth: the air under the drawn-down shadow of each stump, by booleans of solids. The sliver hidden less than 0.03 mm
    # deep does not count, which takes 1.3 % off (worked out from the cone's formula). Which path between the two is best
    # hardly matters to the volume, and the path's own u says so.
    designs = [leaning(lean, half_deg=3.0) for lean in (13.0, -13.0)]
    path, hidden = both(bridge(*designs, noise_um=noise_um, edge_mm=0.15, cut=lambda d: on_a_level_floor(d)[0]))
    true = sum(shadow_mm3(design) for design in designs)
    assert abs(path.value) < math.sqrt(12.0) * path.u
    assert hidden.value == pytest.approx((1.0 - 0.013) * true, abs=2.0 * hidden.u)
    assert hidden.u < 0.03 * true


def shadow_mm3(design):
    """Volume of air above the floor that lies straight under a leaning cone: convex, so its shadow is a hull."""
    whole, cone = on_a_level_floor(design)
    under = difference(hull(cone, cone.moved([0.0, 0.0, -8.0])), whole)
    return intersection(under, Solid.box([-9.0, -9.0, 0.0], [9.0, 9.0, 9.0])).volume_mm3


def test_long_axes_too_far_apart_have_no_common_path():
    for reading in both(bridge(leaning(0.0), leaning(0.0), tip_deg=40.0)):
        assert reading.status == "not_measurable"
        assert "within 15° of all of them" in reading.reason


def test_each_abutment_has_its_own_crown_readings():
    # Built: 2 × 4° and 2 × 9° of convergence; the second tooth stands tipped, which changes nothing in its own frame.
    of = bridge(leaning(0.0), leaning(0.0, half_deg=9.0), tip_deg=6.0)
    found = take(of, "crown.total_occlusal_convergence_deg", "crown.margin_continuity")
    assert found["crown.total_occlusal_convergence_deg", "46/BL", None].value == pytest.approx(8.0, abs=0.3)
    second = found["crown.total_occlusal_convergence_deg", "44/BL", None]
    assert second.value == pytest.approx(18.0, abs=0.3)
    assert second.witness.segments_mm[..., 0] == pytest.approx(APART_MM, abs=0.3)
    assert second.witness.plane.name == "44 BL"
    assert found["crown.margin_continuity", "46", None].value == 1.0


def test_the_alignment_turns_with_the_frame_it_is_seen_from():
    # A turn by 1 mrad about y of the whole moves a point 22 mm off along x by 22 µm along z, up and down.
    of = bridge(leaning(0.0), leaning(0.0))
    covariance = np.diag([0.0, 0.001**2, 0.0, 0.0, 0.0, 0.0])
    still = Bridge(phantoms.piece_of(of.piece.surface, covariance=covariance), of.prepared)
    assert np.sqrt(still.stumps[1].piece.alignment.covariance[5, 5]) == pytest.approx(0.022)
    assert np.sqrt(still.stumps[0].piece.alignment.covariance[5, 5]) == pytest.approx(0.0)


def test_one_noisy_point_of_a_wall_is_no_rim():
    # A wall 4 mm high that leans in by 0.1 mm for each mm, one of whose points stands 0.2 mm off it half way up: no more than a
    # step of the map (0.05 mm) and the noise of a point (0.05 mm) may be left of that.
    height = np.arange(0.0, 4.0, 0.05)
    wall = np.column_stack([3.5 - 0.1 * height, height])
    noisy = wall + np.outer(np.arange(len(height)) == 5, [0.2, 0.0])
    runs = [wall, wall, wall, noisy, wall, wall, wall, wall]
    flat = np.tile(wall[:, 0], (len(runs), 1))
    found = _with_rims(flat, runs, RimNoise(0.05, 1.0), (0.0, 0.05))
    assert float(np.nanmax(found[3] - wall[:, 0])) <= 0.1 + 1e-9


def test_a_path_that_leans_is_unsure_though_each_stump_stands_upright():
    stump = SimpleNamespace(
        path_is_long_axis=True,
        steady_walls={},
        shared_mm=0.0,
        piece=phantoms.piece_of(phantoms.tooth(leaning(0.0)).surface()),
    )
    assert sum(c.u for c in path_u_deg(stump)) == pytest.approx(0.01)
    assert sum(c.u for c in path_u_deg(stump, leans=True)) > 0.1
