"""Cavities with answers known beforehand, cut as booleans of solids out of a block made like a tooth.

The block is 12 mm mesiodistally, 11 mm buccolingually, its top at z = 7 and its foot at z = −3. Enamel is 1.3 mm thick on top
and 1 mm on the sides, the pulp a box of 3 × 3 × 2 mm; neighbours stand 0.2 mm off its mesial and distal faces at a height of 1 mm and lean away from them by 20°.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from types import SimpleNamespace

import numpy as np
from block_phantoms import Blank, Key

from kerfmark.anatomy.preparations.cavity import Box, CavityPlan, CutCavity, cut_cavity
from kerfmark.anatomy.preparations.outlines import Fissure, Rounded
from kerfmark.geometry.evening import refined
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.solids import Solid, difference, extruded, intersection, union

X, Y, TOP, FOOT = 6.0, 5.5, 7.0, -3.0
TOOTH = Solid.box([-X, -Y, FOOT], [X, Y, TOP])
INNER = Solid.box([-5, -4.5, FOOT], [5, 4.5, 5.7])
PULP = Solid.box([-1.5, -1.5, 1.0], [1.5, 1.5, 3.0])
ENAMEL, DENTINE = difference(TOOTH, INNER), difference(INNER, PULP)
GAP, AWAY_DEG, NEAREST_MM = 0.2, 20.0, 1.0
GRID = {"spacing_mm": 0.1, "band_mm": 0.6}
CUSPS = {"buccal cusp": ("functional_cusp", (0.0, 3.0, TOP)), "lingual cusp": ("nonfunctional_cusp", (0.0, -3.0, TOP))}
OCCLUSAL = np.array([[-3.5, -0.8, TOP], [3.5, -0.8, TOP], [3.5, 0.8, TOP], [-3.5, 0.8, TOP]])


def _neighbour(sign: int) -> Solid:
    """A slab beside the tooth, nearest low down: the lower a margin the smaller the gap, and no rounded corner is nearer."""
    slab = Solid.box([0, -4, 0], [2, 4, 7]).transformed(rotation_about([0.0, 1.0, 0.0], AWAY_DEG))
    turned = slab if sign > 0 else slab.transformed(rotation_about([0.0, 0.0, 1.0], 180.0))
    return turned.moved([sign * (X + GAP), 0.0, NEAREST_MM])


def gap_mm(level_mm: float) -> float:
    """From a point of the proximal face at a level square to the neighbour's face."""
    away = math.radians(AWAY_DEG)
    return (GAP + (level_mm - NEAREST_MM) * math.tan(away)) * math.cos(away)


@cache
def prepared(
    cavity_class: int,
    *,
    mesial_sign: int = 1,
    caries: Solid | None = None,
    outline: str | None = "occlusal",
) -> SimpleNamespace:
    """What preparing such an exercise gives, as far as its readings look at it."""
    layers = {"enamel": ENAMEL.surface(), "dentine": DENTINE.surface()}
    if caries is not None:
        layers["caries"] = caries.surface()
    layers = {name: refined(surface, edge_mm=0.3) for name, surface in (layers | {"pulp": PULP.surface()}).items()}
    sides = {"mesial": mesial_sign, "distal": -mesial_sign}
    beside = {side: _neighbour(s) for side, s in sides.items()}
    sites = tuple(SimpleNamespace(name=n, role=role, point_mm=np.array(at)) for n, (role, at) in CUSPS.items())
    return SimpleNamespace(
        exercise=SimpleNamespace(
            family="cavity",
            cavity_class=cavity_class,
            source=SimpleNamespace(kind="scan"),
            target=SimpleNamespace(clear="caries" if caries is not None else None, depth_mm=None, width_mm=None),
        ),
        subject=TOOTH.surface(),
        subject_grid=distance_grid(TOOTH.surface(), **GRID),
        target=None,
        target_grid=None,
        layers=layers,
        layer_grids={name: distance_grid(layer, **GRID) for name, layer in layers.items()},
        neighbours={side: solid.surface() for side, solid in beside.items()},
        neighbour_grids={},
        sites=sites,
        outline=OUTLINES[outline] if outline else None,
        line=None,
        mesial_sign=mesial_sign,
        lattice=None,
        columns={},
    )


OUTLINES = {
    "occlusal": OCCLUSAL,
    "facial": np.array([[-2.0, Y, 1.0], [2.0, Y, 1.0], [2.0, Y, 3.5], [-2.0, Y, 3.5]]),
}


@dataclass(frozen=True)
class Occlusal:
    """A class I pocket with plane walls: its sides at the floor's level, and what is planned of it."""

    sides_mm: tuple[float, float, float, float] = (-3.5, 3.5, -0.8, 0.8)
    depth_mm: float = 2.0
    lean_deg: Mapping[str, float] = field(default_factory=dict)
    tilt_deg: float = 0.0
    radius_mm: float = 0.3

    @property
    def plan(self) -> CavityPlan:
        x0, x1, y0, y1 = self.sides_mm
        names = {"right": "mesial", "left": "distal", "up": "buccal", "down": "lingual"}
        lean = {side: self.lean_deg.get(wall, 0.0) for side, wall in names.items()}
        return CavityPlan(
            Rounded((x0, y0), (x1, y1), 0.4),
            self.depth_mm,
            wall_deg=lean,
            tilt_deg=self.tilt_deg,
            radius_mm=self.radius_mm,
        )


POCKETS = {
    "as planned": Occlusal(),
    "deep and wide": Occlusal((-3.3, 3.8, -1.0, 0.9), 2.6, {"mesial": 6.0, "distal": 4.0}),
    "convergent": Occlusal(
        (-3.4, 3.4, -1.1, 1.0), 1.8, {"buccal": -4.0, "lingual": -3.0, "mesial": 5.0, "distal": 5.0}, radius_mm=0.4
    ),
    "tilted floor": Occlusal((-3.5, 3.5, -0.9, 0.9), 2.2, {"buccal": 3.0}, tilt_deg=3.0),
}


def occlusal_truth(pocket: Occlusal, cut: CutCavity) -> dict[Key, float]:
    """By construction on a flat top: rims lie tan(lean) · height out from the floor's sides."""
    x0, x1, y0, y1 = pocket.sides_mm
    tilt = math.tan(math.radians(pocket.tilt_deg))
    level = lambda x: TOP - pocket.depth_mm + tilt * (x - 0.5 * (x0 + x1))  # noqa: E731
    out = {
        wall: math.tan(math.radians(pocket.lean_deg.get(wall, 0.0)))
        for wall in ("mesial", "distal", "buccal", "lingual")
    }
    rim = {
        "mesial": x1 + out["mesial"] * (TOP - level(x1)), "distal": x0 - out["distal"] * (TOP - level(x0)),
        "buccal": y1 + out["buccal"] * pocket.depth_mm, "lingual": y0 - out["lingual"] * pocket.depth_mm,
    }  # fmt: skip
    slab = intersection(cut.tool, Solid.box([-9, -9, TOP - 1e-3], [9, 9, TOP + 1e-3]))
    plan = extruded(OCCLUSAL[:, :2], 2.0).moved([0, 0, TOP - 1])
    area = slab.volume_mm3 / 2e-3
    gone = intersection(cut.tool, TOOTH)
    beyond = difference(gone, extruded(OCCLUSAL[:, :2], 20.0).moved([0, 0, -10]))
    found: dict[Key, float] = {
        ("cavity.outline_area_mm2", None, None): area,
        ("cavity.outline_overlap", None, None): 2.0 * intersection(slab, plan).volume_mm3 / 2e-3 / (area + 7.0 * 1.6),
        ("cavity.pulpal_depth_mm", "central", None): pocket.depth_mm,
        ("cavity.floor_tilt_deg", "pulpal", None): pocket.tilt_deg,
        ("cavity.floor_flatness_um", "pulpal", None): 0.0,
        ("cavity.isthmus_width_mm", None, None): rim["buccal"] - rim["lingual"],
        ("cavity.isthmus_to_intercuspal", None, None): (rim["buccal"] - rim["lingual"]) / 6.0,
        ("cavity.marginal_ridge_mm", "mesial", None): X - max(rim["mesial"], x1),
        ("cavity.marginal_ridge_mm", "distal", None): X + min(rim["distal"], x0),
        ("cavity.internal_radius_mm", None, None): pocket.radius_mm,
        ("surface.removed_mm3", "all", None): gone.volume_mm3,
        ("cavity.sound_removed_mm3", None, None): beyond.volume_mm3,
        ("cavity.sound_removed_mm3", "enamel", None): intersection(beyond, ENAMEL).volume_mm3,
        ("cavity.sound_removed_mm3", "dentine", None): intersection(beyond, DENTINE).volume_mm3,
        ("cavity.remaining_dentine_mm", None, None): level(max(-1.5, min(1.5, -1.5 if tilt > 0 else 1.5))) - 3.0,
        ("cavity.pulp_exposed_mm2", None, None): 0.0,
        ("cavity.unsupported_enamel_mm3", None, None): 0.0,
    }
    if pocket.tilt_deg and any(pocket.lean_deg.values()):  # the rim then lies farther out where the floor is deeper
        del found["cavity.isthmus_width_mm", None, None], found["cavity.isthmus_to_intercuspal", None, None]
    for wall, at, planned in (
        ("mesial", rim["mesial"], 3.5),
        ("distal", -rim["distal"], 3.5),
        ("buccal", rim["buccal"], 0.8),
        ("lingual", -rim["lingual"], 0.8),
    ):
        found["cavity.extension_mm", wall, None] = at - planned
        found["cavity.wall_angle_deg", wall, None] = pocket.lean_deg.get(wall, 0.0)
        found["cavity.cavosurface_angle_deg", wall, None] = 90.0 + pocket.lean_deg.get(wall, 0.0)
    return found


@dataclass(frozen=True)
class Proximal:
    """A class II: a pocket and a box beside it."""

    side: str = "mesial"
    width_mm: float = 4.0
    axial_mm: float = 4.6
    height_mm: float = 1.6
    wall_deg: float = 0.0
    axial_deg: float = 0.0
    depth_mm: float = 2.0
    mesial_sign: int = 1

    @property
    def plan(self) -> CavityPlan:
        sign = self.mesial_sign if self.side == "mesial" else -self.mesial_sign
        ends = ((-3.2 * sign, 0.0), (5.2 * sign, 0.0))
        box = Box(self.side, 0.2, self.width_mm, self.axial_mm, self.height_mm, self.wall_deg, self.axial_deg, 0.15)
        return CavityPlan(Fissure(ends, 1.6, 2.2), self.depth_mm, floor="level", radius_mm=0.25, box=box)


BOXES = {
    "mesial box": Proximal(),
    "distal box": Proximal("distal", 3.4, 4.4, 1.4, -3.0, 4.0, 1.8, -1),
}


def box_truth(box: Proximal) -> dict[Key, float]:
    """By construction: the floor's level is given, walls lean from it."""
    lean, axial = math.tan(math.radians(box.wall_deg)), math.tan(math.radians(box.axial_deg))
    rise = box.height_mm
    gingival = box.depth_mm + box.height_mm
    found: dict[Key, float] = {
        ("cavity.axial_wall_height_mm", None, None): box.height_mm,
        ("cavity.axial_wall_height_mm", box.side, None): box.height_mm,
        ("cavity.box_width_mm", None, None): box.width_mm + lean * rise,
        ("cavity.gingival_floor_mm", None, None): X - box.axial_mm,
        ("cavity.gingival_depth_mm", None, None): gingival,
        ("cavity.pulpal_depth_mm", "central", None): box.depth_mm,
        ("cavity.axial_depth_mm", "central", None): X - box.axial_mm + axial * 0.5 * rise,
        ("cavity.wall_angle_deg", "axial", None): box.axial_deg,
        ("cavity.proximal_clearance_mm", "gingival", None): gap_mm(TOP - gingival),
        ("cavity.isthmus_width_mm", None, None): 1.6,
        ("cavity.floor_tilt_deg", "gingival", None): 0.0,
    }
    return found


def placed(plan: CavityPlan) -> CavityPlan:
    """A plan whose depth counts from the block's top, as a level."""
    return replace(plan, depth_mm=TOP - plan.depth_mm) if plan.floor == "level" else plan


FACIAL_CUT = Solid.box([-2.2, Y - 1.2, 0.8], [1.9, Y + 1, 3.4])


def facial() -> Blank:
    """A class V box with square walls, 1.2 mm deep, beyond its plan by 0.2, 0.1 and −0.1 mm; the pulp 1.3 mm behind it."""
    area, planned = 4.1 * 2.6, 4.0 * 2.5
    shared = 3.9 * 2.4
    behind = Y - 1.2 - 1.5
    truth: dict[Key, float] = {
        ("cavity.outline_area_mm2", None, None): area,
        ("cavity.outline_overlap", None, None): 2.0 * shared / (area + planned),
        ("cavity.axial_depth_mm", None, None): 1.2,
        ("cavity.axial_depth_mm", "occlusal", None): 1.2,
        ("cavity.extension_mm", "occlusal", None): -0.1,
        ("cavity.extension_mm", "gingival", None): 0.2,
        ("cavity.extension_mm", "mesial", None): -0.1,
        ("cavity.extension_mm", "distal", None): 0.2,
        ("cavity.floor_tilt_deg", "axial", None): 0.0,
        ("cavity.remaining_dentine_mm", None, None): behind,
        ("cavity.sound_removed_mm3", None, None): (area - shared) * 1.2,
        ("cavity.sound_removed_mm3", "dentine", None): (area - shared) * 0.2,
    }
    truth |= {("cavity.wall_angle_deg", wall, None): 0.0 for wall in ("occlusal", "gingival", "mesial", "distal")}
    truth |= {
        ("cavity.cavosurface_angle_deg", wall, None): 90.0 for wall in ("occlusal", "gingival", "mesial", "distal")
    }
    return Blank(prepared(5, outline="facial"), difference(TOOTH, FACIAL_CUT), truth)


def bevelled() -> Blank:
    """A class III box open to the mesial face, with a bevel of 0.6 mm at 45° along its distal and gingival facial margin.

    The box reaches from x = 4.5 out, from z = 2 to z = 4.4, 2 mm in from the facial face; the bevel is a wedge whose face
    runs 0.6 · cos 45° out on the face and as deep at the wall.
    """
    out = 0.6 * math.cos(math.radians(45.0))
    low, high = (4.5, 2.0), (9.0, 4.4)
    box = Solid.box([low[0], Y - 2.0, low[1]], [high[0], Y + 1, high[1]])
    beyond = 1.0

    def ring(by: float, y: float) -> list[list[float]]:
        return [
            [low[0] - by, y, low[1] - by],
            [9.0, y, low[1] - by],
            [9.0, y, high[1] + by],
            [low[0] - by, y, high[1] + by],
        ]

    wedge = Solid.loft(np.array([ring(0.0, Y - out), ring(out + beyond, Y + beyond)]))
    truth: dict[Key, float] = {
        ("cavity.bevel_width_mm", None, None): 0.6,
        ("cavity.bevel_angle_deg", None, None): 45.0,
        ("cavity.axial_depth_mm", "central", None): X - 4.5,
        ("cavity.proximal_clearance_mm", "gingival", None): gap_mm(low[1]),
        ("cavity.cavosurface_angle_deg", "distal", None): 135.0,
    }
    return Blank(prepared(3, outline="facial"), difference(TOOTH, box, wedge), truth)


DECAY = Solid.box([-1.5, -1.0, 4.5], [1.5, 1.0, 6.2])
"""Half a millimetre into the enamel over its junction at z = 5.7, 1.2 mm into the dentine: 3 × 2 × 1.7 mm."""


def undermined() -> Blank:
    """Decay cut out through a narrower opening: enamel overhangs, a wall of decay 0.3 mm thick stays on the mesial side.

    The opening is 2 × 1 mm down to z = 6.2; under it the cut takes x from −1.5 to 1.2, y from −1 to 1, down to z = 4.4. Of the
    enamel (z from 6.2 to 7) over that hollow, what no dentine stands under within 1 mm of the junction is unsupported.
    """
    opening = Solid.box([-1.0, -0.5, 4.4], [1.0, 0.5, 8.0])
    hollow = Solid.box([-1.5, -1.0, 4.4], [1.2, 1.0, 6.2])
    cut = union(opening, hollow)
    left = difference(DECAY, cut)
    # Rods stand upright on a level junction. Where the hollow goes 1.3 mm below it none of the millimetre is left.
    over = intersection(Solid.box([-1.5, -1.0, 5.7], [1.2, 1.0, 7.0]), difference(TOOTH, cut))
    decayed = intersection(left, Solid.box([-9, -9, 5.2], [9, 9, 6.2]))
    sound = difference(intersection(cut, TOOTH), DECAY)
    truth: dict[Key, float] = {
        ("cavity.caries_left_mm3", None, None): left.volume_mm3,
        ("cavity.caries_left_mm3", "dej", None): decayed.volume_mm3,
        ("cavity.caries_left_thickness_mm", None, None): 0.3,
        # Over the decay that is left there is no dentine within the millimetre either: it is decayed to 1.2 mm.
        ("cavity.unsupported_enamel_mm3", None, None): over.volume_mm3 + 0.3 * 2.0 * 0.8,
        ("cavity.sound_removed_mm3", None, None): sound.volume_mm3,
        ("cavity.sound_removed_mm3", "dentine", None): intersection(sound, DENTINE).volume_mm3,
        ("cavity.remaining_dentine_mm", None, None): 1.4,
    }
    return Blank(prepared(1, caries=DECAY, outline=None), difference(TOOTH, cut), truth)


def exposed() -> Blank:
    """A pocket 1.2 × 1 mm driven 0.5 mm into the pulp: its floor and that much of its walls lie in it."""
    cut = Solid.box([-0.6, -0.5, 2.5], [0.6, 0.5, 9.0])
    truth: dict[Key, float] = {
        ("cavity.pulp_exposed_mm2", None, None): 1.2 * 1.0 + 2.0 * (1.2 + 1.0) * 0.5,
        ("cavity.remaining_dentine_mm", None, None): 0.0,
    }
    return Blank(prepared(1, outline=None), difference(TOOTH, cut), truth)


OTHERS = {"facial box": facial, "bevelled box": bevelled, "undermined": undermined, "exposed": exposed}


def blanks(edge_mm: float = 0.15) -> dict[str, Blank]:
    """Every cavity as the accuracy table takes it."""
    found: dict[str, Blank] = {}
    for name, pocket in POCKETS.items():
        cut = cut_cavity(TOOTH.surface(), pocket.plan, mesial_sign=1)
        found[name] = Blank(prepared(1), Solid.from_surface(cut.surface), occlusal_truth(pocket, cut), edge_mm)
    for name, box in BOXES.items():
        cut = cut_cavity(TOOTH.surface(), placed(box.plan), mesial_sign=box.mesial_sign)
        found[name] = Blank(
            prepared(2, mesial_sign=box.mesial_sign, outline=None),
            Solid.from_surface(cut.surface),
            box_truth(box),
            edge_mm,
        )
    found |= {name: made() for name, made in OTHERS.items()}
    return {name: replace(blank, edge_mm=edge_mm, truth=blank.truth | gone(blank)) for name, blank in found.items()}


def gone(blank: Blank) -> dict[Key, float]:
    """Everything removed, as the difference of two solids' volumes."""
    return {("surface.removed_mm3", "all", None): TOOTH.volume_mm3 - blank.solid.volume_mm3}
