import numpy as np
import pytest

from kerfmark.anatomy.form import outer_surface, tooth_form

TYPES = (*range(11, 19), *range(31, 39))
# Source: handbooks of dental anatomy (number of cusps and roots of each type), common knowledge of the trade.
CUSPS = {14: 2, 15: 2, 16: 4, 17: 4, 18: 3, 34: 2, 35: 3, 36: 5, 37: 4, 38: 4}
ROOTS = {11: 1, 12: 1, 13: 1, 14: 2, 15: 1, 16: 3, 17: 3, 18: 3, 31: 1, 32: 1, 33: 1, 34: 1, 35: 1, 36: 2, 37: 2, 38: 2}


def cusps_of(form):
    return {n: s for n, s in form.sites.items() if s.role in ("functional_cusp", "nonfunctional_cusp")}


@pytest.mark.parametrize(("fdi", "number"), CUSPS.items())
def test_back_teeth_have_the_cusps_of_the_handbooks(fdi, number):
    assert len(cusps_of(tooth_form(fdi))) == number


@pytest.mark.parametrize(("fdi", "number"), ROOTS.items())
def test_teeth_have_the_roots_of_the_handbooks(fdi, number):
    assert sum(s.role == "apex" for s in tooth_form(fdi).sites.values()) == number


@pytest.mark.parametrize("fdi", CUSPS)
def test_functional_cusps_are_lower_buccal_and_upper_lingual(fdi):
    # Source: normal occlusion, every handbook: upper lingual and lower buccal cusps bite into the opposing fossae.
    for site in cusps_of(tooth_form(fdi)).values():
        facial = site.point_mm[1] > 0
        assert (site.role == "functional_cusp") == (facial if fdi > 30 else not facial)


@pytest.mark.parametrize("fdi", [*TYPES, 26, 46])
def test_every_place_and_line_lies_on_the_surface(fdi):
    form = tooth_form(fdi)
    points = np.concatenate([[s.point_mm for s in form.sites.values()], *form.lines.values()])
    assert np.abs(form.field(points)).max() < 0.15  # apices are set by number, and rounded off by the surface
    on = np.array([s.point_mm for s in form.sites.values() if s.role != "apex"])
    assert np.abs(form.field(on)).max() < 0.005


@pytest.mark.parametrize("fdi", [14, 16, 36, 37])
def test_cusp_tips_are_highest_where_they_are_named(fdi):
    # An independent search on the mesh: the highest vertex within 0.5 mm lies no more than 0.45 mm off and 0.1 mm higher.
    form = tooth_form(fdi)
    vertices = outer_surface(form, edge_mm=0.15).vertices_mm
    for site in cusps_of(form).values():
        near = vertices[
            (np.hypot(*(vertices - site.point_mm)[:, :2].T) < 0.5) & (vertices[:, 2] > site.point_mm[2] - 2)
        ]
        top = near[near[:, 2].argmax()]
        assert top[2] - site.point_mm[2] < 0.1
        assert np.hypot(*(top - site.point_mm)[:2]) < 0.45


def test_upper_molar_tips_stand_in_the_order_of_the_handbooks():
    # Source: upper first molar: mesiolingual largest and longest, then mesiobuccal, distobuccal, distolingual.
    sites = tooth_form(16).sites
    heights = [sites[f"{n} cusp"].point_mm[2] for n in ("mesiolingual", "mesiobuccal", "distobuccal", "distolingual")]
    assert heights == sorted(heights, reverse=True)


def test_fossae_lie_below_the_ridges_around_them():
    sites = tooth_form(36).sites
    assert (
        sites["central fossa"].point_mm[2]
        < sites["mesial marginal ridge"].point_mm[2]
        < sites["mesiolingual cusp"].point_mm[2]
    )


@pytest.mark.parametrize("fdi", TYPES)
def test_the_mesial_contact_is_nearer_the_edge_than_the_distal_or_level(fdi):
    # Source: handbooks; the lower first premolar is the exception, its distal contact being a little nearer.
    mesial, distal = (tooth_form(fdi).sites[f"{s} contact"].point_mm[2] for s in ("mesial", "distal"))
    assert mesial >= distal - (0.5 if fdi == 34 else 0.0)


@pytest.mark.parametrize("fdi", TYPES)
def test_the_cervical_line_rises_as_the_handbook_says(fdi):
    # Source: columns curve_mesial, curve_distal of dimensions.toml; by construction; 0.03 mm, as the most facial sample need not be the crest.
    form = tooth_form(fdi)
    line = form.cervical_line_mm * [form.mesial_sign, 1, 1]
    facial = line[line[:, 1].argmax(), 2]
    assert line[line[:, 0] > 0, 2].max() - facial == pytest.approx(form.dimensions.curve_mesial, abs=0.03)
    assert line[line[:, 0] < 0, 2].max() - facial >= form.dimensions.curve_distal - 0.03
