"""The built-in layered block and the two lines to follow, from the project's own blocks and plates."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from kerfmark.anatomy.blocks import Pocket, block
from kerfmark.anatomy.plates import plate
from kerfmark.exercise.builtin.criteria import Rule, block_rules, line_rules
from kerfmark.geometry.phantoms import refined
from kerfmark.geometry.solids import Solid, box, difference, extruded, hull, sphere, union
from kerfmark.records import FloatArray, Surface

__all__ = ["BLOCKS", "CORNER_MM", "LINES", "BlockSpec", "LineSpec", "block_parts", "groove", "keyed", "line_parts"]

CORNER_MM = 0.6
"""Of the box's upright edges: more than the radius of the thickest permitted bur, so that it can be cut."""
FRAME = {"origin": [0.0, 0.0, 0.0], "occlusal": [0.0, 0.0, 1.0], "facial": [0.0, 1.0, 0.0], "mesial": "+x"}
EDGE_MM = 0.4


@dataclass(frozen=True, slots=True)
class BlockSpec:
    """A built-in block: a coloured box let into it, to be cleared."""

    name: str
    title: str
    instruction: str
    box_mm: tuple[float, float]
    depth_mm: float
    centre_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class LineSpec:
    """A built-in line on a plate, to be followed with a groove."""

    name: str
    title: str
    instruction: str
    line: str
    length_mm: float
    width_mm: float
    depth_mm: float


BLOCKS = (
    BlockSpec(
        "layered-block",
        "Layered block with a box to clear",
        "Clear the coloured box to its floor and leave the rest.",
        (8.0, 4.0),
        2.0,
        (1.0, 0.5),
    ),
)
LINES = (
    LineSpec(
        "straight-line",
        "Straight line to follow",
        "Cut along the line, 0.5 mm deep, from end to end.",
        "straight",
        20.0,
        1.0,
        0.5,
    ),
    LineSpec(
        "curved-line",
        "Curved line to follow",
        "Cut along the curve, 0.5 mm deep, from end to end.",
        "wave",
        20.0,
        1.0,
        0.5,
    ),
)


def keyed(body: Surface, size_mm: tuple[float, float, float]) -> Surface:
    """A block or plate with one upright corner cut off, so that it can be laid down one way only."""
    corner = 0.5 * np.asarray(size_mm[:2])
    outline = corner + np.array([[0.5, 0.5], [-3.5, 0.5], [0.5, -2.5]])
    tool = extruded(outline, size_mm[2] + 2.0).moved([0.0, 0.0, -size_mm[2] - 1.0])
    return difference(Solid.from_surface(body), tool).surface()


def block_parts(spec: BlockSpec) -> tuple[dict[str, object], dict[str, Surface]]:
    """The exercise's keys and surfaces."""
    made = block(
        pockets=[Pocket("box", spec.box_mm, spec.depth_mm, centre_mm=spec.centre_mm, corner_mm=CORNER_MM)], edge_mm=5.0
    )
    surfaces = {
        "subject": refined(keyed(made.surface, made.size_mm), edge_mm=EDGE_MM),
        "target": refined(keyed(made.layers["body"], made.size_mm), edge_mm=EDGE_MM),
        "layer-body": refined(keyed(made.layers["body"], made.size_mm), edge_mm=EDGE_MM),
        "layer-box": refined(made.layers["box"], edge_mm=EDGE_MM),
        "envelope": _room_above(spec, margin_mm=0.75),
    }
    rules = block_rules(layer="box", depth_mm=spec.depth_mm)
    keys = _keys(spec.name, spec.title, spec.instruction, "block", rules) | {
        "subject": {"surface": "subject.ply", "layers": {"body": "layer-body.ply", "box": "layer-box.ply"}},
        "target": {"surface": "target.ply", "clear": "box"},
        "permitted": {
            "instruments": ["straight fissure 1.0", "straight fissure 0.8"],
            "envelope": "envelope.ply",
            "time_limit_s": 900.0,
        },
    }
    return keys, surfaces


def line_parts(spec: LineSpec) -> tuple[dict[str, object], dict[str, Surface]]:
    """The exercise's keys and surfaces; the target groove is that of a ball of the line's width."""
    made = plate(spec.line, length_mm=spec.length_mm, width_mm=spec.width_mm, depth_mm=spec.depth_mm, edge_mm=5.0)
    whole = keyed(made.surface, made.size_mm)
    cut = difference(
        Solid.from_surface(whole),
        groove(made.line_mm - [0.0, 0.0, spec.depth_mm - 0.5 * spec.width_mm], 0.5 * spec.width_mm),
    )
    room = groove(made.line_mm - [0.0, 0.0, spec.depth_mm - 0.5 * spec.width_mm], 0.5 * spec.width_mm + 0.75)
    surfaces = {
        "subject": refined(whole, edge_mm=EDGE_MM),
        "target": refined(cut.surface(), edge_mm=EDGE_MM),
        "envelope": room.surface(),
    }
    keys = _keys(spec.name, spec.title, spec.instruction, "line", line_rules(depth_mm=spec.depth_mm)) | {
        "subject": {"surface": "subject.ply"},
        "target": {
            "surface": "target.ply",
            "line": made.line_mm[::2].round(4).tolist(),
            "depth_mm": spec.depth_mm,
            "width_mm": spec.width_mm,
        },
        "permitted": {"instruments": ["round 1.0"], "envelope": "envelope.ply", "time_limit_s": 600.0},
    }
    return keys, surfaces


def groove(centres_mm: FloatArray, radius_mm: float) -> Solid:
    """The solid a ball sweeps along a polyline (n, 3)."""
    ball = sphere(radius_mm, segments=48)
    balls = [ball.moved(centre) for centre in centres_mm]
    return union(*(hull(a, b) for a, b in pairwise(balls)))


def _room_above(spec: BlockSpec, *, margin_mm: float) -> Surface:
    """The box and `margin_mm` round it, and the air above."""
    half = np.append(0.5 * np.asarray(spec.box_mm) + margin_mm, 0.0)
    middle = np.append(spec.centre_mm, 0.0)
    return box(middle - half - [0.0, 0.0, spec.depth_mm + margin_mm], middle + half + [0.0, 0.0, 2.0]).surface()


def _keys(name: str, title: str, instruction: str, family: str, rules: list[Rule]) -> dict[str, object]:
    return {
        "format": 1,
        "id": name,
        "title": title,
        "family": family,
        "instruction": instruction,
        "frame": FRAME,
        "source": {"kind": "scan", "noise_um": 10.0, "trueness_um": 15.0},
        "criteria": [rule.as_toml() for rule in rules],
        "pass": {"minimum_percent": 60.0, "met_at": 0.95, "too_close": "refer"},
    }
