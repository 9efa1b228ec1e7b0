"""Caries let into teeth."""

import numpy as np
import pytest
import SimpleITK
import trimesh

from kerfmark.anatomy.layer_measures import enamel_thickness
from kerfmark.anatomy.lesions import Lesion, with_lesion
from kerfmark.anatomy.tooth import tooth
from kerfmark.errors import InputError
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.mesh import volume_mm3

LESIONS = [
    Lesion("fissure", "central fossa", width_mm=1.6, depth_mm=1.0),
    Lesion("proximal", "mesial", width_mm=2.0, depth_mm=1.2, spread_mm=0.6),
    Lesion("cervical", "facial", width_mm=3.0, depth_mm=1.2),
]


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    return tooth(36, edge_mm=0.2, cache_dir=tmp_path_factory.mktemp("teeth"))


@pytest.fixture(scope="module", params=LESIONS, ids=lambda lesion: lesion.kind)
def carious(request, sound):
    return request.param, with_lesion(sound, request.param)


def test_layers_still_tile_the_tooth(sound, carious):
    _, made = carious
    assert list(made.layers) == ["enamel", "dentine", "caries", "pulp"]
    total = sum(volume_mm3(layer) for layer in made.layers.values())
    assert total == pytest.approx(volume_mm3(sound.outer), rel=1e-6)


def test_every_layer_is_closed(carious):
    for layer in carious[1].layers.values():
        assert trimesh.Trimesh(layer.vertices_mm, layer.faces, process=False).is_watertight


def test_a_lesion_reaches_as_deep_as_asked(sound, carious):
    # Beyond the junction, or from the surface at the neck; 0.2 mm: two voxels of the grid it is built on.
    lesion, made = carious
    reference = sound.outer if lesion.kind == "cervical" else sound.layers["enamel"]
    mesh = trimesh.Trimesh(reference.vertices_mm, reference.faces, process=False)
    points = made.layers["caries"].vertices_mm
    depth = enamel_thickness(points, reference)
    inside = mesh.contains(points) if lesion.kind != "cervical" else np.zeros(len(points), bool)
    assert depth[~inside].max() == pytest.approx(lesion.depth_mm, abs=0.2)


def test_a_lesion_opens_on_the_surface(sound, carious):
    # Every kind takes some of the outer surface: part of its boundary lies on the tooth's.
    assert (enamel_thickness(carious[1].layers["caries"].vertices_mm, sound.outer) < 1e-6).sum() > 20


def test_a_lesion_touches_the_surface_only_at_its_mouth(sound, carious):
    # The mouth is no wider than asked; 0.3 mm: the wall of a fissure or contact is not square to the lesion's axis.
    lesion, made = carious
    points = made.layers["caries"].vertices_mm
    mouth = points[enamel_thickness(points, sound.outer) < 1e-6]
    assert np.linalg.norm(mouth - mouth.mean(axis=0), axis=1).max() < 0.5 * lesion.width_mm + 0.3


def test_a_lesion_opens_where_such_lesions_begin(sound, carious):
    # Source: operative textbooks (common practice): in the fissure, 1 mm below the contact, 0.7 mm over the cervical line.
    # 0.4 mm: the mouth is a disc cut from a curved wall, and its middle is that of its own points.
    lesion, made = carious
    points = made.layers["caries"].vertices_mm
    height = float(points[enamel_thickness(points, sound.outer) < 1e-6][:, 2].mean())
    if lesion.kind == "proximal":
        assert height == pytest.approx(sound.sites["mesial contact"].point_mm[2] - 1.0, abs=0.4)
    elif lesion.kind == "cervical":
        facial = sound.cervical_line_mm[np.argmax(sound.cervical_line_mm[:, 1])]
        assert height == pytest.approx(facial[2] + 0.7, abs=0.5)
    else:
        assert height == pytest.approx(sound.sites["central fossa"].point_mm[2], abs=0.4)


def test_a_lesion_s_volume_is_that_simpleitk_counts(sound):
    # Second opinion: ITK's label statistics on the label grid; 0.1 mm voxels of a volume of several mm³: 3 %.
    caries = with_lesion(sound, LESIONS[1]).layers["caries"]
    grid = distance_grid(caries, spacing_mm=0.1, band_mm=0.3)
    image = SimpleITK.GetImageFromArray((grid.values < 0.0).astype(np.uint8))
    image.SetSpacing([0.1] * 3)
    counted = SimpleITK.LabelShapeStatisticsImageFilter()
    counted.Execute(image)
    assert volume_mm3(caries) == pytest.approx(counted.GetPhysicalSize(1), rel=0.03)


def test_a_lesion_spreads_along_the_junction(sound):
    # With a spread it is wider beyond the junction than without.
    volumes = [
        volume_mm3(with_lesion(sound, Lesion("proximal", "distal", spread_mm=spread)).layers["caries"])
        for spread in (0.0, 0.5, 1.0)
    ]
    assert volumes[0] < volumes[1] < volumes[2]


@pytest.mark.parametrize(
    ("lesion", "says"),
    [
        (Lesion("fissure", "no such pit"), "central fossa"),
        (Lesion("proximal", "facial"), "mesial"),
        (Lesion("proximal", "mesial", width_mm=0.0), "width_mm"),
        (Lesion("fissure", "central fossa", depth_mm=3.9), "over the pulp"),
        (Lesion("round", "mesial"), "kind"),
    ],
)
def test_a_lesion_that_cannot_be_is_refused(sound, lesion, says):
    with pytest.raises(InputError, match=says):
        with_lesion(sound, lesion)
