"""A whole assessed piece made by hand: a parametric molar-like body, a crown preparation, and one cut that departs from it.

Everything is simulated. Distances are implicit functions divided by their gradient, true to a few µm near the surface.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.geometry.sections import section_curves
from kerfmark.records import (
    Alignment,
    Assessment,
    Component,
    Grid,
    Mark,
    Piece,
    Reading,
    Remark,
    Ruling,
    SectionPlane,
    Surface,
    Witness,
)

SPACING_MM = 0.12
MARGIN_MM = 0.9
INF = float("inf")


def axes():
    one = np.arange(-7.0, 7.0, SPACING_MM)
    return np.meshgrid(one, one, np.arange(-5.5, 9.0, SPACING_MM), indexing="ij")


def as_distance(field):
    slopes = np.gradient(field, SPACING_MM)
    return np.clip(field / np.maximum(np.sqrt(sum(s * s for s in slopes)), 0.3), -0.6, 0.6)


def radial(x, y):
    return (np.abs(x / 1.08) ** 2.6 + np.abs(y) ** 2.6) ** (1 / 2.6)


def tooth_field(x, y, z):
    side = radial(x, y) - (4.55 + 0.75 * np.exp(-(((z - 3.2) / 2.4) ** 2)) + 0.05 * np.minimum(z, 0.0))
    return np.maximum(np.maximum(side, z - occlusal_height(x, y)), -5.0 - z)


def occlusal_height(x, y):
    cusps = sum(np.exp(-((x - a) ** 2 + (y - b) ** 2) / 3.2) for a in (-2.4, 2.4) for b in (-2.3, 2.3))
    return 5.6 + 1.3 * cusps + 0.05 * y


def stump_field(subject, x, y, z, *, taper_deg=(5.5, 5.5, 5.5, 5.5), width_mm=(1.0, 1.0, 1.0, 1.0), reduction_mm=1.6):
    """The preparation: taper and width by wall (buccal, mesial, lingual, distal), mesial on −x."""
    turn = np.arctan2(-x, y)
    share = [np.maximum(0.0, np.cos(turn - k * np.pi / 2)) ** 2 for k in range(4)]
    taper = np.tan(np.radians(sum(s * t for s, t in zip(share, taper_deg, strict=True))))
    width = sum(s * w for s, w in zip(share, width_mm, strict=True))
    wall = radial(x, y) - (4.95 - width - taper * (z - MARGIN_MM))
    shelf = z - MARGIN_MM - 0.25 * np.cos(2 * turn)
    blend = 0.35
    mix = np.clip(0.5 + 0.5 * (wall - shelf) / blend, 0, 1)
    lower = wall * (1 - mix) + shelf * mix - blend * mix * (1 - mix)
    top = z - (occlusal_height(x, y) * 0.8 + 1.15 - reduction_mm + 0.5 * 0.3)
    return np.maximum(np.maximum(subject, lower), top)


def grid_of(field):
    return Grid(np.array([-7.0, -7.0, -5.5]), SPACING_MM, as_distance(field).astype(np.float32))


def surface_of_field(field, *, noise_mm=0.0, rng=None):
    from skimage.measure import marching_cubes

    points, faces, normals, _ = marching_cubes(field, 0.0, spacing=(SPACING_MM,) * 3)
    points = points + np.array([-7.0, -7.0, -5.5])
    if noise_mm:
        points = points + normals * rng.normal(0, noise_mm, (len(points), 1))
    triangle = points[faces]
    if np.einsum("ij,ij->", triangle[:, 0], np.cross(triangle[:, 1], triangle[:, 2])) < 0:
        faces = faces[:, ::-1]
    return Surface(np.ascontiguousarray(points, dtype=float), np.ascontiguousarray(faces, dtype=np.int32))


AZIMUTHS = {"BL": 0.0, "MD": 90.0, "MF-DL": 45.0, "ML-DF": 135.0}
WALLS = {"buccal": 0.0, "mesial": 90.0, "lingual": 180.0, "distal": 270.0}


def direction(azimuth_deg):
    turn = np.radians(azimuth_deg)
    return np.array([-np.sin(turn), np.cos(turn), 0.0])


def plane_through(name, azimuth_deg):
    return SectionPlane(name, np.zeros(3), -direction(azimuth_deg), np.array([0.0, 0.0, 1.0]))


def fitted(points):
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle)[2][0]
    along = along if along[2] > 0 else -along
    reach = (points - middle) @ along
    return np.array([middle + reach.min() * along, middle + reach.max() * along])


def wall_segment(curves, azimuth_deg):
    points = np.vstack(curves)
    out = points @ direction(azimuth_deg)
    return fitted(points[(points[:, 2] > 2.0) & (points[:, 2] < 4.2) & (out > 2.0)])


def convergence(piece, name):
    plane = plane_through(name, AZIMUTHS[name])
    curves = section_curves(piece, plane)
    walls = np.array([wall_segment(curves, AZIMUTHS[name] + turn) for turn in (0, 180)])
    along = walls[:, 1] - walls[:, 0]
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    value = float(np.degrees(np.arccos(np.clip(along[0] @ along[1], -1, 1))))
    budget = (Component("surface noise", 0.22), Component("alignment", 0.12), Component("wall limits", 0.3))
    witness = Witness("angle", segments_mm=walls, plane=plane)
    return Reading(
        "crown.total_occlusal_convergence_deg", name, "median", value, "deg", 0.4, budget=budget, witness=witness
    )


def width(piece, side):
    azimuth = WALLS[side]
    name = "BL" if azimuth % 180 == 0 else "MD"
    plane = plane_through(name, AZIMUTHS[name])
    points = np.vstack(section_curves(piece, plane))
    out = points @ direction(azimuth)
    shelf = MARGIN_MM + 0.25 * np.cos(2 * np.radians(azimuth))
    outer = points[np.argmax(np.where(np.abs(points[:, 2] - shelf) < 0.12, out, -np.inf))]
    wall = wall_segment([points], azimuth)
    foot = wall[0] + (shelf + 0.35 - wall[0][2]) / (wall[1] - wall[0])[2] * (wall[1] - wall[0])
    inner = foot.copy()
    inner[2] = outer[2]
    value = float((outer - inner) @ direction(azimuth))
    segments = np.array([[outer, inner], [inner, foot]])
    budget = (Component("surface noise", 0.012), Component("place of the foot", 0.025), Component("alignment", 0.006))
    witness = Witness("length", segments_mm=segments, plane=plane, curves_mm=all_round(azimuth, value))
    return Reading("crown.finish_line_width_mm", side, "median", value, "mm", 0.03, budget=budget, witness=witness)


def all_round(azimuth, value):
    """Outer margin and foot of every section of a wall, with an invented ripple of the width."""
    turn = np.radians(np.arange(azimuth - 45, azimuth + 46, 5.0))
    outward = np.column_stack([-np.sin(turn), np.cos(turn), np.zeros(len(turn))])
    outer = on_margin(turn)
    widths = value + 0.07 * np.sin(3 * turn) + 0.03 * np.sin(11 * turn)
    return outer, outer - widths[:, None] * outward + [0.0, 0.0, 0.3]


def reduction(piece, subject, name, x, y):
    def height(surface):
        near = surface.vertices_mm[np.hypot(surface.vertices_mm[:, 0] - x, surface.vertices_mm[:, 1] - y) < 0.2]
        return np.median(near[near[:, 2] > 3.0][:, 2])

    top, bottom = height(subject), height(piece)
    segment = np.array([[[x, y, top], [x, y, bottom]]])
    witness = Witness("length", segments_mm=segment, points_mm=segment[0, 1:])
    return Reading(
        "crown.occlusal_reduction_mm", name, "median", float(top - bottom), "mm", 0.03,
        budget=(Component("surface noise", 0.01), Component("alignment", 0.028)), witness=witness,
    )  # fmt: skip


def height_of(piece, side):
    azimuth = WALLS[side]
    plane = plane_through("BL", 0.0)
    wall = wall_segment(section_curves(piece, plane), azimuth)
    base = 4.9 * direction(azimuth) + np.array([0, 0, MARGIN_MM + 0.25])
    top = base.copy()
    top[2] = 5.3
    segments = np.array([[base, top], [base, base], [top, wall[1]]])
    return Reading(
        "crown.height_mm",
        side,
        None,
        float(top[2] - base[2]),
        "mm",
        0.05,
        witness=Witness("length", segments_mm=segments, plane=plane),
    )


def on_margin(turn):
    x, y = -np.sin(turn), np.cos(turn)
    z = MARGIN_MM + 0.25 * np.cos(2 * turn)
    scale = (4.55 + 0.75 * np.exp(-(((z - 3.2) / 2.4) ** 2))) / radial(x, y)
    return np.column_stack([x * scale, y * scale, z])


def margin_curve():
    return on_margin(np.radians(np.arange(0, 361, 3.0)))


def readings_of(piece, subject):
    curve = Witness("curve", curves_mm=(margin_curve(),))
    centre = np.array([[[0, 0, -1.0], [0.05, 0.0, 8.0]]])
    return (
        *(convergence(piece, name) for name in AZIMUTHS),
        Reading(
            "crown.undercut_depth_mm",
            "path",
            None,
            0.004,
            "mm",
            0.006,
            witness=Witness("patch", points_mm=np.array([[3.9, 0.0, 2.0]])),
        ),
        Reading(
            "crown.path_of_insertion", None, "tilt", 2.1, "deg", 0.3, witness=Witness("direction", segments_mm=centre)
        ),
        reduction(piece, subject, "mesiobuccal cusp", -2.2, 2.1),
        reduction(piece, subject, "distobuccal cusp", 2.2, 2.1),
        reduction(piece, subject, "distolingual cusp", 2.2, -2.1),
        reduction(piece, subject, "central groove", 0.0, 0.0),
        *(width(piece, side) for side in WALLS),
        Reading("crown.margin_smoothness_um", None, None, 38.0, "um", 6.0, witness=curve),
        height_of(piece, "buccal"),
        Reading(
            "crown.neighbour.damage_depth_mm",
            "distal",
            None,
            None,
            "mm",
            None,
            "not_measurable",
            "no scan of the distal neighbour",
        ),
    )


LIMITS = {
    "crown.total_occlusal_convergence_deg": (6.0, 16.0),
    "crown.undercut_depth_mm": (-INF, 0.030),
    "crown.path_of_insertion": (-INF, 5.0),
    "crown.occlusal_reduction_mm": (1.0, 1.5),
    "crown.finish_line_width_mm": (0.8, 1.2),
    "crown.margin_smoothness_um": (-INF, 60.0),
    "crown.height_mm": (3.5, INF),
    "crown.neighbour.damage_depth_mm": (-INF, 0.05),
}


def ruled(reading):
    """By JCGM 106 with a normal distribution, so that the words fit the numbers."""
    from scipy.stats import norm

    limits = LIMITS[reading.id]
    probability, word = None, "not measurable"
    if reading.value is not None:
        probability = float(np.diff(norm.cdf(np.clip(limits, -1e9, 1e9), reading.value, reading.u))[0])
        word = "met" if probability >= 0.95 else "not met" if probability <= 0.05 else "too close to call"
    critical = reading.id == "crown.neighbour.damage_depth_mm"
    return Ruling(reading.id, reading.where, reading.stat, limits, probability, word, 1.0, critical)


def assessed(subject_field):
    """(assessment, prepared, loaded) of one simulated cut of the tooth whose implicit function is given."""
    x, y, z = axes()
    subject_values = subject_field(x, y, z)
    target_values = stump_field(subject_values, x, y, z)
    piece_values = stump_field(
        subject_values, x, y, z, taper_deg=(5.0, 9.5, 6.0, 7.5), width_mm=(1.13, 0.95, 0.9, 1.27), reduction_mm=1.72
    )
    bump = 0.55 * np.exp(-((x + 1.4) ** 2 + (y - 1.6) ** 2) / 1.6)
    kept = stump_field(subject_values, x, y, z, reduction_mm=1.0)
    piece_values = np.maximum(np.maximum(np.minimum(piece_values, kept + 0.75 - bump), kept), subject_values)
    rng = np.random.default_rng(3)
    piece = surface_of_field(as_distance(piece_values), noise_mm=0.006, rng=rng)
    subject = surface_of_field(as_distance(subject_values))
    readings = readings_of(piece, subject)
    alignment = Alignment(np.eye(4), 8.1, 0.93, np.eye(6) * 1e-6, 18_432)
    rulings = tuple(ruled(reading) for reading in readings)
    remarks = (Remark("mesh-mended", "piece.stl", "12 pinholes closed."),)
    whole = Piece("scan", "9a204f1c77be" + "0" * 52, piece, alignment, 10.0, 15.0)
    assessment = Assessment(
        "0.1.0", "full-crown-46", "sha256:4f1c9a" + "0" * 58, whole, readings, rulings,
        Mark(71.0, "refer", (), ("crown.neighbour.damage_depth_mm",)), remarks, {"unit": None, "noise_um": 10.0},
    )  # fmt: skip
    return assessment, prepared_of(subject, subject_values, target_values), loaded_of(readings)


def prepared_of(subject, subject_values, target_values):
    return SimpleNamespace(
        subject=subject, abutments=(), subject_grid=grid_of(subject_values), target=None, target_grid=grid_of(target_values), mesial_sign=-1,
        frame=np.eye(4), neighbours={}, layers={}, layer_grids={}, gingiva=None, outline=None, line=None, sites=(),
        implant=None, canal=None, arch=None, volume=None,
    )  # fmt: skip


def loaded_of(readings):
    criteria = tuple(
        SimpleNamespace(reading=r.id, where=r.where, stat=r.stat, ask=f"Is {r.id} within limits?") for r in readings
    )
    exercise = SimpleNamespace(
        id="full-crown-46", title="Full crown, lower right first molar", tooth=46, abutments=(), criteria=criteria,
        pass_=SimpleNamespace(minimum_percent=60.0, met_at=0.95),
    )  # fmt: skip
    return SimpleNamespace(exercise=exercise, version="sha256:4f1c9a" + "0" * 58, remarks=())


@pytest.fixture(scope="session")
def piece_report():
    """(assessment, prepared, loaded) of the simulated piece."""
    return assessed(tooth_field)
