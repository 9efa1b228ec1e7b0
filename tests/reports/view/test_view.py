"""Cameras, shading, the deviation map and balloons on the view, against geometry known beforehand."""

import re
import struct
import xml.etree.ElementTree as ET
import zlib
from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.geometry.edges import boundary_loops
from kerfmark.records import Surface
from kerfmark.reports.contents import contents_of
from kerfmark.reports.view.camera import camera_towards
from kerfmark.reports.view.deviation import Patch, deviation_mm, legend_svg, map_patches, map_svg
from kerfmark.reports.view.picture import _holes, scene_of, view_of
from kerfmark.reports.view.pins import APART_PX, pins_of
from kerfmark.reports.view.render import FINER, Buffers, grey_png, render, shade


def ball(radius_mm=4.0):
    from trimesh.creation import icosphere

    mesh = icosphere(subdivisions=5, radius=radius_mm)
    return Surface(np.asarray(mesh.vertices, dtype=float), np.asarray(mesh.faces, dtype=np.int32))


def looking(letter, points, *, size=(200, 200), sign=-1):
    return camera_towards(letter, points, mesial_sign=sign, width=size[0], height=size[1], margin_px=(10, 10))


def rendered(surface, values=None, letter="S"):
    camera = looking(letter, surface.vertices_mm)
    shaded = shade(surface, np.zeros(len(surface.vertices_mm)) if values is None else values)
    return render(shaded, camera, width=200, height=200, floor_mm=-10.0)


@pytest.mark.parametrize("letter", "SOBLMDZ")
@pytest.mark.parametrize("sign", [-1, 1])
def test_a_camera_is_right_handed_and_shows_everything(letter, sign):
    points = np.random.default_rng(1).normal(size=(50, 3)) * [3, 4, 5]
    camera = looking(letter, points, sign=sign)
    axes = np.array([camera.right, camera.up, camera.eye])
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(axes) == pytest.approx(1.0)
    px = camera.project(points)[:, :2]
    assert px.min() >= 10 - 1e-9
    assert px.max() <= 190 + 1e-9


def test_the_side_views_look_at_their_side():
    mesial = np.array([[-5.0, 0.0, 0.0]])
    camera = looking("M", np.eye(3) * 4)
    assert camera.project(mesial)[0, 2] > camera.project(-mesial)[0, 2]
    buccal = looking("B", np.eye(3) * 4)
    assert buccal.project([[0, 0, 3.0]])[0, 1] < buccal.project([[0, 0, -3.0]])[0, 1]


def test_a_ball_covers_its_disc_to_scale():
    # Source: area of a disc, π r². Pixels are counted at their centres: about 1 % at 360 pixels across.
    surface = ball()
    buffers = rendered(surface)
    area = buffers.covered.sum() / (buffers.camera.px_per_mm * FINER) ** 2
    assert area == pytest.approx(np.pi * 16.0, rel=0.01)


def test_light_comes_from_the_upper_left():
    buffers = rendered(ball())
    picture = unpacked(grey_png(buffers))
    centre = picture.shape[0] // 2
    off = picture.shape[0] // 5
    assert picture[centre - off, centre - off, 0] > picture[centre + off, centre + off, 0] + 15


def unpacked(png):
    """Grey and alpha from a PNG whose rows are differences from the row above. Source: PNG specification, filter type 2."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", png[16:24])
    length = struct.unpack(">I", png[33:37])[0]
    raw = np.frombuffer(zlib.decompress(png[41 : 41 + length]), dtype=np.uint8).reshape(height, 1 + 2 * width)
    return np.cumsum(raw[:, 1:].astype(np.uint64), axis=0).astype(np.uint8).reshape(height, width, 2)


def test_the_picture_is_a_png_another_library_reads():
    # Source: Pillow's reader.
    image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    from io import BytesIO

    png = grey_png(rendered(ball()))
    read = np.asarray(image.open(BytesIO(png)))
    np.testing.assert_array_equal(read, unpacked(png))


def test_a_point_behind_is_not_seen():
    buffers = rendered(ball())
    near, far = (buffers.camera.project([sign * 4.0 * buffers.camera.eye])[0] for sign in (1, -1))
    assert buffers.sees(near, within_px=3.0)
    assert not buffers.sees(far, within_px=3.0)


def test_patches_carry_their_area_and_greatest_value():
    # A cap of a ball, r = 4, opening 30°: 2 π r² (1 − cos 30°) = 13.5 mm². The edge is one smoothed triangle wide: 10 %.
    surface = ball()
    camera = looking("B", surface.vertices_mm)
    inside = surface.vertices_mm @ camera.eye > 4.0 * np.cos(np.radians(30.0))
    buffers = rendered(surface, np.where(inside, 0.30, 0.0), letter="B")
    (patch,) = map_patches(buffers)
    assert patch.value_mm == pytest.approx(0.30, abs=0.005)
    assert patch.area_mm2 == pytest.approx(2 * np.pi * 16 * (1 - np.cos(np.radians(30))), rel=0.10)
    assert [len(map_svg(buffers).split(f"@{step}")) - 1 for step in ("l1", "l2", "l3", "o1")] == [1, 1, 0, 0]


def test_a_patch_beyond_what_is_known_is_said_to_be_deeper():
    # Source: the target's distances are exact within 0.6 mm and cut off there.
    assert Patch(0, 0, -0.60, 5.0).shown == "over −0.6"
    assert Patch(0, 0, 0.38, 5.0).shown == "+0.38"


def test_short_loops_are_dropped_line_and_fill_together():
    field = np.zeros((400, 400), dtype=np.float32)
    field[190:196, 190:196] = 0.5  # 3 × 3 px on the page: a loop of about 10 px
    blank = Buffers(looking("B", np.eye(3)), np.zeros_like(field), np.zeros((400, 400, 3), dtype=np.float32), field)
    assert "<path" not in map_svg(blank)


def test_the_map_is_bare_where_nothing_was_cut(piece_report):
    assessment, prepared, _ = piece_report
    deviation = deviation_mm(assessment.piece, prepared)
    below = assessment.piece.surface.vertices_mm[:, 2] < 0.0
    assert np.all(deviation[below] == 0.0)
    assert deviation.max() > 0.3
    assert deviation.min() < -0.2


@pytest.fixture(scope="module")
def slanted(piece_report):
    assessment, prepared, loaded = piece_report
    scene, contents = scene_of(assessment, prepared), contents_of(assessment, loaded)
    return scene, contents, view_of("S", scene, contents)


def test_a_view_is_well_formed_and_says_where_it_is_seen_from(slanted):
    drawing = slanted[2].drawing
    ET.fromstring(drawing)
    assert "slanted" in drawing
    assert not re.search(r"nan|inf\b", re.sub(r"base64,[^\"]*", "", drawing), re.IGNORECASE)


def test_balloons_stand_apart_and_their_leaders_do_not_cross(slanted):
    scene, contents, view = slanted
    camera = camera_towards(
        "S", scene.shaded.surface.vertices_mm, mesial_sign=-1, width=400, height=424, margin_px=(46, 30)
    )
    buffers = render(scene.shaded, camera, width=400, height=424, floor_mm=scene.floor_mm)
    pins = pins_of(contents.lines, buffers, width=400, height=424)
    assert len(pins) > 8
    for i, a in enumerate(pins):
        for b in pins[:i]:
            if a.x == b.x:
                assert abs(a.y - b.y) >= min(APART_PX, 20.0)
                assert not crosses(a, b)
    assert set(re.findall(r'class="balloon" data-c="(\d+)"', view.drawing)) >= {
        str(p.number) for p in pins if p.state == "notmet"
    }


def crosses(a, b):
    """By solving for where two segments meet: second implementation."""
    run_a, run_b = [np.array([p.spot_x - p.x, p.spot_y - p.y]) for p in (a, b)]
    system = np.column_stack([run_a, -run_b])
    if abs(np.linalg.det(system)) < 1e-9:
        return False
    share = np.linalg.solve(system, [b.x - a.x, b.y - a.y])
    return bool(np.all((share > 1e-6) & (share < 1 - 1e-6)))


def test_the_legend_has_blue_on_the_left():
    places = {m[2]: float(m[1]) for m in re.finditer(r'<rect x="([0-9.]+)"[^>]*fill="@([lo][123])"', legend_svg())}
    assert sorted(places, key=places.get) == ["l3", "l2", "l1", "o1", "o2", "o3"]


def test_a_hole_of_the_scan_is_dotted_and_one_that_was_cut_through_is_not():
    # A ball without the faces near its axis ends on edges there; a ring is as open to sight, and closed all round.
    from trimesh.creation import torus

    body = ball()
    middles = body.vertices_mm[body.faces].mean(axis=1)
    torn = Surface(body.vertices_mm, body.faces[np.hypot(middles[:, 0], middles[:, 1]) > 1.2])
    mesh = torus(3.0, 1.2)
    ring = Surface(np.asarray(mesh.vertices, dtype=float), np.asarray(mesh.faces, dtype=np.int32))
    for surface, torn_open in ((torn, True), (ring, False), (body, False)):
        camera = looking("O", surface.vertices_mm)
        buffers = render(
            shade(surface, np.zeros(len(surface.vertices_mm))), camera, width=200, height=200, floor_mm=-10.0
        )
        scene = SimpleNamespace(rims=np.vstack([np.empty((0, 3)), *boundary_loops(surface)]))
        assert bool(_holes(scene, buffers)) is torn_open
