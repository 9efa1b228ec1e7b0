"""Layered practice blocks: slabs from the top down, with pockets to clear let into them.

The origin is the centre of the top face, +z up and out of it, +y facial. Later layers win: a pocket takes its room from
the slabs and from the pockets before it, so the layers tile the block.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.geometry.solids import Solid, difference, intersection, union
from kerfmark.records import FloatArray, Surface

__all__ = ["Block", "Pocket", "Slab", "block", "rounded_rectangle"]

LEAST_WALL_MM = 0.2
"""Least material between a pocket and the block's sides and base: a thinner wall cannot be cast, nor told from none."""

SPLIT = 0.7
"""Edges are split to this much of the edge asked for: the diagonals this leaves are up to twice as long."""


@dataclass(frozen=True, slots=True)
class Slab:
    """A layer across the whole block; slabs are named from the top down."""

    name: str
    thickness_mm: float


@dataclass(frozen=True, slots=True)
class Pocket:
    """Another material let into the block.

    Attributes
    ----------
    name : str
        What the layer is called; pockets of one name are one layer.
    size_mm : (2,) float, mm
        Along x (mesiodistal) and y.
    depth_mm : float, mm
        From its top to its floor.
    top_mm : float, mm
        How far its top lies below the top face: 0 is open to it, more is buried.
    centre_mm : (2,) float, mm
        Where it lies, x and y.
    corner_mm : float, mm
        Radius of its upright edges; half the shorter side makes its ends round.
    turned_deg : float, degrees
        About z, from x towards y.
    """

    name: str
    size_mm: tuple[float, float]
    depth_mm: float
    top_mm: float = 0.0
    centre_mm: tuple[float, float] = (0.0, 0.0)
    corner_mm: float = 0.0
    turned_deg: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """A block before cutting: its outer surface and its layers, all closed, tiling it."""

    size_mm: tuple[float, float, float]
    surface: Surface
    layers: Mapping[str, Surface] = field(default_factory=dict)


def block(
    size_mm: tuple[float, float, float] = (20.0, 14.0, 10.0),
    *,
    slabs: Sequence[Slab] = (),
    pockets: Sequence[Pocket] = (),
    edge_mm: float = 0.5,
) -> Block:
    """A block of any stack of layers, with pockets.

    Parameters
    ----------
    size_mm : (3,) float, mm
        Along x, y and z.
    slabs : sequence of Slab
        From the top down; their thicknesses add up to the height. None: one slab called `body`.
    pockets : sequence of Pocket
        In order; where they overlap the later one wins.
    edge_mm : float, mm
        About the longest edge of the surfaces, 0.05 to 5.

    Returns
    -------
    block : Block
        Layer volumes add up to the block's; every surface is closed.

    Raises
    ------
    InputError
        If sizes, names or places cannot be, naming the one that cannot.

    Examples
    --------
    >>> made = block((20, 14, 10), pockets=[Pocket("pocket", (10, 4), 2.0)])
    >>> from kerfmark.geometry.mesh import volume_mm3
    >>> {name: round(volume_mm3(layer), 6) for name, layer in made.layers.items()}
    {'body': 2720.0, 'pocket': 80.0}
    """
    slabs = tuple(slabs) or (Slab("body", size_mm[2]),)
    _check(size_mm, slabs, pockets, edge_mm)
    solids = _layers(size_mm, slabs, pockets)
    empty = [name for name, solid in solids.items() if solid.is_empty]
    if empty:
        raise InputError(
            f"layer '{printable(empty[0], limit=40)}' is wholly covered by the pockets after it, expected some of it "
            "to be left. Move or shrink a pocket and build the block again."
        )
    layers = {name: solid.refined(SPLIT * edge_mm).surface() for name, solid in solids.items()}
    outer = _prism(rounded_rectangle(size_mm[:2]), top_mm=0.0, bottom_mm=-size_mm[2])
    size = (float(size_mm[0]), float(size_mm[1]), float(size_mm[2]))
    return Block(size, outer.refined(SPLIT * edge_mm).surface(), layers)


def rounded_rectangle(
    size_mm: Sequence[float],
    *,
    corner_mm: float = 0.0,
    centre_mm: Sequence[float] = (0.0, 0.0),
    turned_deg: float = 0.0,
) -> FloatArray:
    """Corners of a rectangle whose corners are arcs of 16 chords, counter-clockwise; (k, 2), mm.

    Examples
    --------
    >>> rounded_rectangle([4, 2]).tolist()
    [[2.0, 1.0], [-2.0, 1.0], [-2.0, -1.0], [2.0, -1.0]]
    """
    half = 0.5 * np.asarray(size_mm, dtype=float) - corner_mm
    signs = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    turn = np.linspace(0.0, np.pi / 2, 17 if corner_mm > 0 else 1)
    arc = corner_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    quarter = [np.array([[0, -1], [1, 0]])] * 4
    outline = [signs[k] * half + arc @ np.linalg.matrix_power(quarter[k], k).T for k in range(4)]
    angle = np.radians(turned_deg)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    turned: FloatArray = _distinct(np.vstack(outline)) @ rotation.T + np.asarray(centre_mm, dtype=float)
    return turned


def _prism(outline_mm: FloatArray, *, top_mm: float, bottom_mm: float) -> Solid:
    return Solid.extruded(outline_mm, top_mm - bottom_mm).moved([0.0, 0.0, bottom_mm])


def _layers(size_mm: Sequence[float], slabs: Sequence[Slab], pockets: Sequence[Pocket]) -> dict[str, Solid]:
    bottoms = -np.cumsum([slab.thickness_mm for slab in slabs])
    bottoms[-1] = -size_mm[2]
    tops = np.concatenate([[0.0], bottoms[:-1]])
    outline = rounded_rectangle(size_mm[:2])
    solids = {
        slab.name: _prism(outline, top_mm=top, bottom_mm=bottom)
        for slab, top, bottom in zip(slabs, tops, bottoms, strict=True)
    }
    whole = _prism(outline, top_mm=0.0, bottom_mm=-size_mm[2])
    for pocket in pockets:
        tool = intersection(_pocket_solid(pocket), whole)
        solids = {name: difference(solid, tool) for name, solid in solids.items()}
        solids[pocket.name] = union(solids[pocket.name], tool) if pocket.name in solids else tool
    return solids


def _pocket_solid(pocket: Pocket) -> Solid:
    """The pocket's prism; open ones stand proud of the top face, so that no two faces coincide there."""
    outline = rounded_rectangle(
        pocket.size_mm, corner_mm=pocket.corner_mm, centre_mm=pocket.centre_mm, turned_deg=pocket.turned_deg
    )
    top = -pocket.top_mm if pocket.top_mm > 0 else 1.0
    return _prism(outline, top_mm=top, bottom_mm=-pocket.top_mm - pocket.depth_mm)


def _distinct(outline: FloatArray) -> FloatArray:
    """Without corners that repeat the one before (arcs of half the side meet)."""
    step = np.linalg.norm(outline - np.roll(outline, 1, axis=0), axis=1)
    distinct: FloatArray = outline[step > 1e-9]
    return distinct


def _check(size_mm: Sequence[float], slabs: Sequence[Slab], pockets: Sequence[Pocket], edge_mm: float) -> None:
    if len(size_mm) != 3 or not all(np.isfinite(s) and 0.5 <= s <= 200.0 for s in size_mm):
        raise InputError(f"block size_mm is {list(size_mm)}, expected three lengths from 0.5 to 200 mm. Correct it.")
    if not 0.05 <= edge_mm <= 5.0:
        raise InputError(f"block edge_mm is {edge_mm}, expected 0.05 to 5 mm. Choose an edge length in between.")
    names = [slab.name for slab in slabs]
    if len(set(names)) != len(names) or not all(names):
        raise InputError(f"slabs are named {names}, expected a different name for each. Rename the repeated one.")
    if not all(np.isfinite(slab.thickness_mm) and slab.thickness_mm > 0 for slab in slabs):
        found = [slab.thickness_mm for slab in slabs]
        raise InputError(f"slab thicknesses are {found} mm, expected each above 0. Correct the slabs.")
    total = sum(slab.thickness_mm for slab in slabs)
    if abs(total - size_mm[2]) > 1e-6:
        raise InputError(
            f"the slabs add up to {total:g} mm, expected the block's height of {size_mm[2]:g} mm. Correct a thickness "
            "or the height."
        )
    for pocket in pockets:
        _check_pocket(pocket, size_mm)


def _check_pocket(pocket: Pocket, size_mm: Sequence[float]) -> None:
    name = printable(pocket.name, limit=40)
    if not pocket.name or min(*pocket.size_mm, pocket.depth_mm) <= 0 or pocket.top_mm < 0:
        raise InputError(f"pocket '{name}' has a name, size or depth that is not above 0. Correct it and build again.")
    if not 0.0 <= pocket.corner_mm <= 0.5 * min(pocket.size_mm):
        raise InputError(
            f"pocket '{name}' has corner_mm = {pocket.corner_mm:g}, expected 0 to half its shorter side, "
            f"{0.5 * min(pocket.size_mm):g}. Make the corner smaller."
        )
    outline = rounded_rectangle(
        pocket.size_mm, corner_mm=pocket.corner_mm, centre_mm=pocket.centre_mm, turned_deg=pocket.turned_deg
    )
    walls = 0.5 * np.asarray(size_mm[:2]) - np.abs(outline).max(axis=0)
    base = size_mm[2] - pocket.top_mm - pocket.depth_mm
    if min(*walls, base) < LEAST_WALL_MM:
        raise InputError(
            f"pocket '{name}' leaves {min(*walls, base):.2f} mm to the block's sides or base, expected at least "
            f"{LEAST_WALL_MM} mm. Make it smaller or move it inwards."
        )
