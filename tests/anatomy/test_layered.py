"""Teeth built from closed layers: generated ones taken apart, and real ones; lesions and accesses on them."""

import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh

from kerfmark.anatomy.layered import hollows_of, layered_tooth
from kerfmark.anatomy.lesions import Lesion, with_lesion
from kerfmark.anatomy.preparations.access import AccessPlan, access_site, cut_access
from kerfmark.anatomy.tooth import tooth
from kerfmark.anatomy.voxels import layer_grids
from kerfmark.geometry.solids import Solid, box, difference

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from real_layers import access_row, lesions_of, measured, mesh, real
from real_teeth import REAL, WHOLE

needs_real = pytest.mark.skipif(not REAL.is_dir(), reason="the real layered teeth are not beside the project")


@pytest.fixture(scope="module")
def generated(tmp_path_factory):
    return tooth(36, edge_mm=0.2, cache_dir=tmp_path_factory.mktemp("teeth"))


@pytest.fixture(scope="module")
def rebuilt(generated):
    """The same tooth from its layers with a gap 0.2 mm high in its dentine, as segmented layers leave gaps."""
    dentine = Solid.from_surface(generated.layers["dentine"])
    hollow = difference(dentine, box([-1.0, -1.0, 2.0], [1.0, 1.0, 2.2])).surface()
    return layered_tooth(36, generated.layers["enamel"], hollow, generated.layers["pulp"])


def test_a_tooth_built_from_its_layers_is_whole_again(generated, rebuilt):
    # Source: the tooth taken apart; the gap left in its dentine (0.8 mm³) is filled.
    whole = mesh(generated.outer)
    assert mesh(rebuilt.outer).volume == pytest.approx(whole.volume, rel=1e-4)
    assert sum(mesh(layer).volume for layer in rebuilt.layers.values()) == pytest.approx(whole.volume, rel=1e-4)
    assert all(mesh(layer).is_watertight for layer in rebuilt.layers.values())


def test_its_places_are_found_where_they_were_made(generated, rebuilt):
    # 0.4 mm: the fossa's lowest point is not its pit; the border of enamel is ragged by an edge of 0.2 mm.
    fossa = generated.sites["central fossa"].point_mm
    assert np.linalg.norm(rebuilt.sites["central fossa"].point_mm - fossa) < 0.6
    known = trimesh.load_path(np.vstack([generated.cervical_line_mm, generated.cervical_line_mm[:1]]))
    assert abs(rebuilt.cervical_line_mm[:, 2].mean() - np.asarray(known.vertices)[:, 2].mean()) < 0.2
    assert len(rebuilt.orifices) == len(generated.orifices)


def test_a_crown_without_hollows_has_none():
    assert hollows_of(box([-4.0, -4.0, 0.0], [4.0, 4.0, 5.0]).surface(), mesial=1) == {}


@needs_real
@pytest.mark.parametrize("fdi", [36, *(pytest.param(k, marks=pytest.mark.slow) for k in (34, 35))])
def test_real_layers_tile_the_tooth_they_make(fdi):
    # Source: OpenMandible's closed layers by trimesh. Gaps between them become dentine: under 0.1 % of the whole.
    made, pattern = real(fdi), WHOLE[fdi][0]
    parts = ("Enamel", "Dentin", "Pulp") if "Tooth_" in pattern else ("enamel", "dentin", "pulp")
    segmented = [abs(trimesh.load(REAL / pattern.format(part)).volume) for part in parts]
    whole = mesh(made.outer).volume
    assert [mesh(layer).volume for layer in made.layers.values()] == pytest.approx(segmented, abs=1e-3 * whole)
    assert sum(mesh(layer).volume for layer in made.layers.values()) == pytest.approx(whole, rel=1e-9)
    assert made.sites["mesial contact"].point_mm[0] > 2.0
    assert made.sites["distal contact"].point_mm[0] < -2.0


QUICK = [(36, 0), (36, 3), (36, 5)]


@needs_real
@pytest.mark.parametrize(
    ("fdi", "number"),
    [*QUICK, *(pytest.param(f, k, marks=pytest.mark.slow) for f in WHOLE for k in range(6) if (f, k) not in QUICK)],
)
def test_a_lesion_in_a_real_tooth_has_the_size_and_place_asked(fdi, number):
    # Second opinion: trimesh. 0.15 mm: a voxel and a half of the grid it is built on.
    lesion = list(lesions_of(real(fdi)))[number]
    found = measured(real(fdi), lesion, with_lesion(real(fdi), lesion))
    assert found.closed
    assert found.parts == 1
    assert abs(found.tiling) < 1e-6
    assert found.outside_mm == 0.0
    assert found.depth_mm == pytest.approx(lesion.depth_mm, abs=0.15)
    assert found.pulp_mm > 0.3
    if lesion.kind == "fissure":
        assert found.sides_mm == pytest.approx(0.5 * lesion.width_mm + lesion.spread_mm, abs=0.15)
        assert found.mouth_mm < lesion.width_mm
    else:
        assert found.mouth_mm == pytest.approx(lesion.width_mm, abs=0.3)
    if lesion.kind == "proximal":
        assert found.over_mm == pytest.approx(-1.0, abs=0.2)
        assert found.sides_mm == pytest.approx(0.5 * lesion.width_mm + lesion.spread_mm, abs=0.2)  # the wall is curved
    if lesion.kind == "cervical":
        assert found.over_mm == pytest.approx(0.7, abs=0.2)


@needs_real
def test_labels_of_a_carious_real_tooth_add_up_by_partial_voxels():
    # 0.2 mm voxels counted by the share a face leaves of each, against trimesh's volume of the tooth: 1 %.
    carious = with_lesion(real(36), Lesion("proximal", "mesial", 2.0, 1.0, 0.6))
    shares = [
        np.clip(0.5 - grid.values / grid.spacing_mm, 0.0, 1.0).sum() * grid.spacing_mm**3
        for grid in layer_grids(carious.layers, spacing_mm=0.2).values()
    ]
    assert sum(shares) == pytest.approx(mesh(carious.outer).volume, rel=0.01)
    assert shares[2] == pytest.approx(mesh(carious.layers["caries"]).volume, rel=0.04)


@needs_real
def test_a_real_lower_molar_has_a_distal_mouth_and_a_ribbon_over_its_mesial_root():
    # Source: the pulp's own level sections, looked at: the mesial canal parts 2.9 mm below the floor. Premolars: one canal.
    at = np.array(list(real(36).orifices.values()))
    assert len(at) == 2
    assert at[0, 0] < -1.0 < 0.5 < at[1, 0]
    assert at[:, 2] == pytest.approx(-1.9, abs=0.2)


@needs_real
def test_a_real_molar_is_opened_inside_its_cervical_section():
    # Source: Krasner & Rankow (2004): walls as far from the outside all round; 0.35 mm is what this molar shows.
    made = real(36)
    site = access_site(made, axis=np.array([0.0, 0.0, 1.0]))
    wall = site.neck.inside_mm(site.neck.chamber_mm)
    assert np.abs(np.percentile(wall, [5.0, 95.0]) - site.neck.wall_mm).max() < 0.35
    assert site.neck.inside_mm(site.ring_mm).min() > 1.0
    opened = mesh(cut_access(made, site, AccessPlan()).surface)
    assert opened.is_watertight
    assert opened.body_count == 1
    assert "closed" in access_row("real 36", made)
