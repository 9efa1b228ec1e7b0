"""Crown preparations with answers known beforehand: solids cut out of solids, then scanned in simulation.

A preparation is the old tooth cut down to a solid of revolution about its own axis: floor of the finish line, internal
arc, straight wall, rounding, flat top. The measuring code shares nothing with this: it sees triangles only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np

from kerfmark.anatomy.notation import mesial_sign
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.edges import face_edges
from kerfmark.geometry.evening import evened
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.mesh import face_normals
from kerfmark.geometry.phantoms import refined, scanned
from kerfmark.geometry.solids import Solid, difference, intersection
from kerfmark.records import Alignment, FloatArray, Piece, Site, Surface

SEGMENTS = 240
OFF_THE_SECTIONS_DEG = 0.37
"""Turned by so much, no column of a phantom's triangles stands in the plane of a section."""
CREASE_DEG = 12.0


@dataclass(frozen=True)
class Design:
    """What is cut: half the convergence, foot radius, floor width and level, arc, height, rounding, tilt of the whole."""

    half_deg: float = 6.0
    foot_radius_mm: float = 4.0
    arc_mm: float = 0.0
    height_mm: float = 4.0
    rounding_mm: float = 0.0
    floor_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_about: tuple[float, float, float] = (1.0, 0.0, 0.0)
    tooth_radius_mm: float = 5.0
    flare_deg: float = 0.0
    stretch: tuple[float, float] = (1.0, 1.0)
    shear: tuple[float, float] = (0.0, 0.0)
    """How far the stump leans towards mesial and towards facial for each mm of height: no two walls are then alike."""

    @property
    def turned(self) -> FloatArray:
        return rotation_about(self.tilt_about, self.tilt_deg) if self.tilt_deg else np.eye(4)


def tooth(design: Design) -> Solid:
    """The state before cutting: a cone about z whose radius at z = 0 is the tooth's, closed above and below."""
    below, above = 2.5, design.height_mm + 1.5
    widen = math.tan(math.radians(design.flare_deg))
    bottom, top = design.tooth_radius_mm - below * widen, design.tooth_radius_mm + above * widen
    round_about = Solid.frustum(bottom, top, below + above, segments=SEGMENTS).moved([0, 0, -below])
    return _stretched(round_about.transformed(_off_the_sections()), design)


def _off_the_sections() -> FloatArray:
    return rotation_about([0.0, 0.0, 1.0], OFF_THE_SECTIONS_DEG)


def _stretched(solid: Solid, design: Design) -> Solid:
    return solid.transformed(np.diag([*design.stretch, 1.0, 1.0])) if design.stretch != (1.0, 1.0) else solid


def profile(design: Design) -> FloatArray:
    """The preparation's outline (k, 2); the foot (where the wall begins) stands at the design's radius."""
    lean, floor = math.radians(design.half_deg), math.radians(design.floor_deg)
    wall = np.array([-math.sin(lean), math.cos(lean)])
    normal = np.array([math.cos(lean), math.sin(lean)])
    out = np.array([math.cos(floor), math.sin(floor)])
    sweep = math.atan2(out[1], out[0]) - (lean - math.pi / 2)
    # foot at (foot_radius, h): arc tangent to wall there, then floor; the floor passes height 0 at the foot radius + 1
    centre = design.arc_mm * normal
    arc = [centre - design.arc_mm * (math.cos(t) * normal + math.sin(t) * wall) for t in np.linspace(0, sweep, 24)]
    far = arc[-1] + 6.0 * out
    points = np.array([*arc, far])
    shift = np.array([design.foot_radius_mm, -float(points[-2][1] + out[1] / out[0] * (1.0 - points[-2][0]))])
    points = points[::-1] + shift  # far, ..., foot
    foot = points[-1]
    top = foot + wall * (design.height_mm - foot[1]) / wall[1]
    crown = _rounded(top, design.rounding_mm, lean)
    return np.array([[0.0, -9.0], [far[0] + shift[0], -9.0], *points, *crown, [0.0, design.height_mm]])


def _rounded(top: FloatArray, radius: float, lean: float) -> list[FloatArray]:
    if radius == 0.0:
        return [top]
    sweep = math.pi / 2 - lean
    normal = np.array([math.cos(lean), math.sin(lean)])
    wall = np.array([-math.sin(lean), math.cos(lean)])
    start = top - wall * radius * math.tan(sweep / 2)
    centre = start - radius * normal
    return [centre + radius * (math.cos(t) * normal + math.sin(t) * wall) for t in np.linspace(0, sweep, 24)]


def preparation(design: Design, *, mesial_sign: int = 1) -> Solid:
    round_about = Solid.revolved(profile(design), segments=SEGMENTS).transformed(_off_the_sections())
    leaning = np.eye(4)
    leaning[:2, 2] = mesial_sign * design.shear[0], design.shear[1]
    stump = _stretched(round_about, design).transformed(leaning).transformed(design.turned)
    return intersection(tooth(design), stump)


def prepared_for(subject: Surface | None, *, mesial_sign: int = 1, **more: object) -> SimpleNamespace:
    grid = None if subject is None else distance_grid(subject, spacing_mm=0.1, band_mm=0.6)
    rest = {"neighbours": {}, "neighbour_grids": {}, "gingiva": None, "layers": {}, "layer_grids": {}, "sites": ()}
    rest |= {"lattice": None, "columns": {}, "abutments": ()}
    exercise = SimpleNamespace(tooth=46, family="crown", source=SimpleNamespace(kind="scan"))
    fields = {
        **rest,
        "subject": subject,
        "subject_grid": grid,
        "mesial_sign": mesial_sign,
        "exercise": exercise,
        **more,
    }
    return SimpleNamespace(**fields)


def piece_of(
    surface: Surface,
    *,
    noise_um: float = 0.0,
    trueness_um: float = 0.0,
    covariance: FloatArray | None = None,
    **more: object,
) -> Piece:
    alignment = Alignment(np.eye(4), 0.0, 1.0, np.zeros((6, 6)) if covariance is None else covariance, 20_000)
    return Piece("scan", "0" * 64, surface, alignment, noise_um, trueness_um, **more)  # type: ignore[arg-type]


def scan_of(
    solid: Solid, *, noise_um: float, rng: np.random.Generator, edge_mm: float = 0.1, trueness_um: float = 0.0
) -> Surface:
    return scanned(solid.surface(), noise_um=noise_um, edge_mm=edge_mm, rng=rng, trueness_um=trueness_um)


# --- The family of the accuracy table -------------------------------------------------------------------------------

# No bur leaves a corner of no radius: of those called shoulders most have an arc too small to be seen in triangles of 0.1 mm.
DESIGNS = {
    "shoulder, 2°": Design(half_deg=1.0),
    "shoulder, 12°": Design(half_deg=6.0, rounding_mm=0.3),
    "shoulder, 20°": Design(half_deg=10.0, arc_mm=0.3, rounding_mm=0.3),
    "chamfer, 12°": Design(half_deg=6.0, arc_mm=0.9, rounding_mm=0.4),
    "deep chamfer, 20°": Design(half_deg=10.0, arc_mm=0.6, rounding_mm=0.3),
    "steep finish line, 12°": Design(half_deg=6.0, arc_mm=0.3, floor_deg=-30.0, rounding_mm=0.3),
    "narrow shoulder, 30°": Design(half_deg=15.0, foot_radius_mm=4.5, arc_mm=0.06, rounding_mm=0.3),
    "flared tooth, 12°": Design(half_deg=6.0, flare_deg=5.0, arc_mm=0.2, rounding_mm=0.3),
    "shoulder, 40°": Design(half_deg=20.0, foot_radius_mm=4.2, arc_mm=0.08, height_mm=4.5),
    "oval shoulder, 12°": Design(half_deg=6.0, arc_mm=0.05, rounding_mm=0.3, stretch=(1.1, 0.92)),
    "oval steep finish line, 24°": Design(half_deg=12.0, floor_deg=-20.0, rounding_mm=0.3, stretch=(0.94, 1.08)),
    "nearly round shoulder, 8°": Design(half_deg=4.0, arc_mm=0.03, rounding_mm=0.3, stretch=(1.02, 0.985)),
    "leaning shoulder, 16°": Design(half_deg=8.0, arc_mm=0.06, rounding_mm=0.3, shear=(0.02, 0.035)),
    "undercut, −6°": Design(half_deg=-3.0, foot_radius_mm=3.8, arc_mm=0.2, rounding_mm=0.2),
}
SITE_MM = (0.8, 0.6)


def truths(design: Design) -> dict[tuple[str, str | None, str | None], float]:
    """What each reading of an upright preparation should be, by construction."""
    d, found = design, {}
    margin, level, foot, foot_level = _edge_of(d)
    if d.half_deg < 0.0:  # where every direction hides about as much, the path is anyone's: only the long axis is sure
        hidden = -math.tan(math.radians(d.half_deg)) * (d.height_mm - foot_level) - _rounded_off(d)
        return {("crown.undercut_depth_mm", "long_axis", None): hidden}
    height, slope = d.height_mm - level, math.tan(math.radians(d.half_deg))
    for plane, azimuth in {"BL": 0.0, "MD": 90.0, "MF-DL": 45.0, "ML-DF": 135.0}.items():
        wide = float(stretched_by(d, azimuth))
        base = 2.0 * foot * wide
        towards, besides = leaning(d, azimuth)
        both = math.atan(slope * wide - towards + besides) + math.atan(slope * wide + towards + besides)
        found["crown.total_occlusal_convergence_deg", plane, None] = math.degrees(both)
        found["crown.height_to_base_ratio", plane, None] = height / base
        if height < base:
            found["crown.limiting_convergence_deg", plane, None] = math.degrees(math.asin(height / base))
    for wall, azimuth in {"buccal": 0.0, "mesial": 90.0, "lingual": 180.0, "distal": 270.0}.items():
        turn = math.radians(azimuth)
        towards = d.shear[0] * math.sin(turn) + d.shear[1] * math.cos(turn)
        found["crown.taper_deg", wall, None] = math.degrees(
            math.atan(slope * float(stretched_by(d, azimuth)) - towards)
        )
        found["crown.height_mm", wall, None] = height
        widths = (margin - foot) * stretched_by(d, azimuth + np.arange(-45.0, 45.1, 5.0))
        for stat, at in (("median", 50.0), ("p05", 5.0), ("p95", 95.0)):
            found["crown.finish_line_width_mm", wall, stat] = float(np.percentile(widths, at))
        for i, third in enumerate(("cervical", "middle", "occlusal")):
            if (
                d.flare_deg == 0.0
                and i < 2
                and not (i == 0 and d.arc_mm > 0.0)
                and d.stretch == (1.0, 1.0)
                and d.shear == (0.0, 0.0)
            ):
                top = d.height_mm - foot_level
                for stat, part in (("median", 0.5), ("p05", 0.05 if slope > 0 else 0.95)):
                    depth = d.tooth_radius_mm - foot + slope * top * (i + part) / 3.0
                    found["crown.axial_reduction_mm", f"{wall}/{third}", stat] = depth
    for stat in ("median", "p05"):
        found["crown.occlusal_reduction_mm", "top", stat] = 1.5
    if d.rounding_mm > 0.0 and d.stretch == (1.0, 1.0):
        found["crown.occluso_axial_radius_mm", None, None] = d.rounding_mm
    found["crown.undercut_depth_mm", "path", None] = 0.0
    found["crown.margin_smoothness_um", None, None] = 0.0
    found["crown.wall_roughness_um", None, None] = 0.0
    found["crown.margin_continuity", None, None] = 1.0
    for side in ("mesial", "distal"):
        for what, value in nick_truth().items():
            found[f"crown.neighbour.damage_{what}", side, None] = value if side == "mesial" else 0.0
    return found


def stretched_by(d: Design, azimuth_deg: float | FloatArray) -> FloatArray:
    """Radii of a stretched circle over those of the circle, at azimuths from +y (facial) towards x."""
    turn = np.radians(np.asarray(azimuth_deg, float))
    return np.asarray(1.0 / np.hypot(np.sin(turn) / d.stretch[0], np.cos(turn) / d.stretch[1]))


def leaning(d: Design, azimuth_deg: float) -> tuple[float, float]:
    """What a leaning of the whole adds to a wall's slope: towards an azimuth, and by its part square to it.

    A circle moved by s to one side of a half-plane meets it s² / 2 r nearer; with s growing by k for each mm of height, that
    grows by k² z / r, taken in the middle of the wall.
    """
    turn, (mesial, facial) = math.radians(azimuth_deg), d.shear
    across = mesial * math.cos(turn) - facial * math.sin(turn)
    middle = 0.5 * d.height_mm
    radius = d.foot_radius_mm - math.tan(math.radians(d.half_deg)) * middle
    return mesial * math.sin(turn) + facial * math.cos(turn), across**2 * middle / radius


def _rounded_off(d: Design) -> float:
    """How much narrower than the sharp edge the rounded edge of an undercut wall is at its widest."""
    sweep = math.pi / 2 - math.radians(d.half_deg)
    sharp = d.rounding_mm * math.tan(sweep / 2) * math.sin(-math.radians(d.half_deg))
    return sharp - d.rounding_mm * (1.0 - math.cos(math.radians(d.half_deg)))


def _edge_of(d: Design) -> tuple[float, float, float, float]:
    """Radius and height of the outer margin, radius and height of the foot, of an upright preparation."""
    outline = profile(d)
    foot = outline[int(np.argmax(np.isclose(outline[:, 0], d.foot_radius_mm) & (outline[:, 1] > -3.0)))]
    far, near = outline[2], outline[3]
    direction = near - far
    widen = math.tan(math.radians(d.flare_deg))
    # On the floor's line: radius = tooth radius + height · widen.
    part = (d.tooth_radius_mm + widen * far[1] - far[0]) / (direction[0] - widen * direction[1])
    edge = far + part * direction
    return float(edge[0]), float(edge[1]), float(foot[0]), float(foot[1])


NICK_RADIUS_MM, NICK_DEPTH_MM = 0.8, 0.25


def nick_truth() -> dict[str, float]:
    """Depth, volume and opening of a spherical dent in a flat face; the depth as a mean over 0.3 mm."""
    r, h = NICK_RADIUS_MM, NICK_DEPTH_MM
    return {
        "depth_mm": h - 0.15**2 / (4.0 * r),
        "volume_mm3": math.pi * h * h * (3.0 * r - h) / 3.0,
        "area_mm2": math.pi * (2.0 * r * h - h * h),
    }


def neighbour(x_mm: float) -> Solid:
    low = x_mm if x_mm > 0 else x_mm - 1.5
    return Solid.box([low, -2.0, -1.0], [low + 1.5, 2.0, 4.0])


def dented(x_mm: float) -> Solid:
    centre = x_mm - math.copysign(NICK_RADIUS_MM - NICK_DEPTH_MM, x_mm)
    return difference(neighbour(x_mm), Solid.sphere(NICK_RADIUS_MM, segments=160).moved([centre, 0.0, 1.5]))


def exercise_for(design: Design, *, mesial_sign: int) -> SimpleNamespace:
    """The prepared exercise of a design: subject, its axial points, one site on its flat top, two neighbours."""
    top = design.height_mm + 1.5
    spread = np.random.default_rng(5).uniform(-0.35, 0.35, (80, 2))
    points = np.column_stack([SITE_MM[0] + spread[:, 0], SITE_MM[1] + spread[:, 1], np.full(80, top)])
    site = Site("top", "central_groove", np.array([*SITE_MM, top]), points, np.tile([0.0, 0.0, -1.0], (80, 1)))
    turns = np.arange(9000) * math.pi * (3.0 - math.sqrt(5.0))  # evenly strewn: golden angles
    out = np.column_stack([np.cos(turns), np.sin(turns), np.zeros(len(turns))])
    surface = design.tooth_radius_mm * out + np.linspace(-1.0, top, len(turns))[:, None] * [0.0, 0.0, 1.0]
    beside = {"mesial": neighbour(6.0 * mesial_sign).surface(), "distal": neighbour(-6.0 * mesial_sign).surface()}
    return prepared_for(
        tooth(design).surface(),
        mesial_sign=mesial_sign,
        sites=(site,),
        surface_points=surface,
        surface_normals=-out,
        neighbours=beside,
        neighbour_grids={side: distance_grid(s, spacing_mm=0.1, band_mm=0.3) for side, s in beside.items()},
    )


@dataclass(frozen=True)
class Blank:
    """A design ready to be scanned again and again: fine surfaces and their normals are made once."""

    prepared: SimpleNamespace
    surfaces: dict[str, Surface]
    truth: dict[tuple[str, str | None, str | None], float]

    def piece(self, rng: np.random.Generator, *, noise_um: float, trueness_um: float, covariance: FloatArray) -> Piece:
        motion = rng.multivariate_normal(np.zeros(6), covariance, method="eigh")
        found = {name: self._seen(name, rng, noise_um, trueness_um, motion) for name in self.surfaces}
        worked = found.pop("piece")
        return piece_of(worked, noise_um=noise_um, trueness_um=trueness_um, covariance=covariance, neighbours=found)

    def _seen(
        self, name: str, rng: np.random.Generator, noise_um: float, trueness_um: float, motion: FloatArray
    ) -> Surface:
        seen = scanned(
            self.surfaces[name], noise_um=noise_um, edge_mm=10.0, rng=rng, trueness_um=trueness_um, even=False
        ).vertices_mm
        return Surface(seen + np.cross(motion[:3], seen) + motion[3:], self.surfaces[name].faces)


def evenly_meshed(surface: Surface, edge_mm: float) -> Surface:
    """The surface in triangles as alike as a scanner's: evened, points drawn to the middle of their neighbours, twice.

    The triangles of a solid of revolution stand in columns; a scanner's do not, and columns make the noise along a
    section larger and the noise across it smaller than on any scan.
    """
    even = evened(surface, edge_mm)
    for _ in range(2):
        even = evened(_relaxed(even, surface), edge_mm)
    return even


def _relaxed(even: Surface, surface: Surface) -> Surface:
    """Points half way to the middle of their neighbours, six times, then laid on the surface; creases stay."""
    edges, normals = face_edges(even), face_normals(even)
    two, count = edges.count == 2, len(even.vertices_mm)
    sharp = np.ones(len(edges.ends), bool)
    sharp[two] = (normals[edges.first_two[two]].prod(axis=1)).sum(axis=1) < math.cos(math.radians(CREASE_DEG))
    fixed = np.zeros(count, bool)
    fixed[edges.ends[sharp]] = True
    (a, b), points = edges.ends.T, even.vertices_mm
    beside = (np.bincount(a, minlength=count) + np.bincount(b, minlength=count))[:, None]
    for _ in range(6):
        sums = [np.bincount(a, points[b, k], count) + np.bincount(b, points[a, k], count) for k in range(3)]
        points = np.where(fixed[:, None], points, 0.5 * points + 0.5 * np.column_stack(sums) / beside)
    closest, distance, _ = ClosestPoint(surface).query(points, max_distance_mm=0.05)
    return Surface(np.where(np.isfinite(distance)[:, None], closest, points), even.faces)


def blank(design: Design, *, mesial_sign: int, edge_mm: float = 0.1, even: bool = True) -> Blank:
    solids = {
        "piece": preparation(design, mesial_sign=mesial_sign),
        "mesial": dented(6.0 * mesial_sign),
        "distal": neighbour(-6.0 * mesial_sign),
    }
    meshed = evenly_meshed if even else refined
    fine = {name: meshed(s.surface(), edge_mm) for name, s in solids.items()}
    return Blank(exercise_for(design, mesial_sign=mesial_sign), fine, truths(design))


TEETH = (26, 16, 46, 36)
"""One of each quadrant."""


def blanks(edge_mm: float = 0.1) -> dict[str, Blank]:
    """Every design on a tooth of one quadrant after the other, and the one without two like walls in all four."""
    found: dict[str, Blank] = {}
    for i, (name, design) in enumerate(DESIGNS.items()):
        for fdi in TEETH if design.shear != (0.0, 0.0) else (TEETH[i % len(TEETH)],):
            found[f"{name}, tooth {fdi}"] = blank(design, mesial_sign=mesial_sign(fdi), edge_mm=edge_mm)
    return found
