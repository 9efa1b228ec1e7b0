"""One person's tooth instead of the average: sizes and shape drawn inside published scatter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from kerfmark.anatomy.form.tables import Cusp, Dimensions, Root, Shape, Side, shape_of, sizes_of
from kerfmark.records import FloatArray

__all__ = ["varied"]

LARGEST_SD = 2.0
LENGTH_SD_PERCENT = 8.0
OWN_SD_PERCENT = 1.5


def _draw(rng: np.random.Generator, count: int) -> FloatArray:
    return np.clip(rng.standard_normal(count), -LARGEST_SD, LARGEST_SD)


def varied(fdi: int, seed: int | None) -> tuple[Dimensions, Shape]:
    """Sizes and shape of a tooth: the table's for None, else people's size in common and a little of each size's own."""
    sizes, shape = sizes_of(fdi), shape_of(fdi)
    if seed is None:
        return sizes, shape
    rng = np.random.default_rng([seed, fdi])
    drawn = _sizes(rng, sizes)
    return drawn, _scaled(_shape(rng, shape), md=drawn.md / sizes.md, bl=drawn.bl / sizes.bl)


def _sizes(rng: np.random.Generator, sizes: Dimensions) -> Dimensions:
    width, crown, root, md, bl, md_neck, bl_neck = _draw(rng, 7)
    shared = np.sqrt(max(sizes.sd_percent**2 - OWN_SD_PERCENT**2, 0.0)) * width
    factor = {name: 1 + (shared + OWN_SD_PERCENT * own) / 100 for name, own in (("md", md), ("bl", bl))}
    necks = {"md_neck": factor["md"] * (1 + 0.01 * md_neck), "bl_neck": factor["bl"] * (1 + 0.01 * bl_neck)}
    lengths = {
        "crown": 1 + (0.5 * sizes.sd_percent * width + 0.6 * sizes.sd_percent * crown) / 100,
        "root": 1 + LENGTH_SD_PERCENT * root / 100,
    }
    changed = {name: getattr(sizes, name) * f for name, f in (factor | necks | lengths).items()}
    changed["md_neck"] = min(changed["md_neck"], 0.95 * changed["md"])
    changed["bl_neck"] = min(changed["bl_neck"], 0.96 * changed["bl"])
    return replace(sizes, **changed)


def _cusp(rng: np.random.Generator, cusp: Cusp) -> Cusp:
    x, y, drop, slope = _draw(rng, 4)
    slopes = tuple(s * (1 + 0.06 * slope) for s in cusp.slopes)
    return replace(cusp, at=(cusp.at[0] + 0.03 * x, cusp.at[1] + 0.02 * y), drop=max(cusp.drop + 0.1 * drop, 0.0),
                   slopes=(slopes[0], slopes[1], slopes[2], slopes[3]))  # fmt: skip


def _shape(rng: np.random.Generator, shape: Shape) -> Shape:
    cusps = tuple(_cusp(rng, cusp) for cusp in shape.cusps)
    grooves = tuple(
        replace(g, depth=g.depth * (1 + 0.15 * d))
        for g, d in zip(shape.grooves, _draw(rng, len(shape.grooves)), strict=True)
    )
    pits = tuple(
        replace(p, depth=p.depth * (1 + 0.15 * d)) for p, d in zip(shape.pits, _draw(rng, len(shape.pits)), strict=True)
    )
    apex = np.array(shape.apex) + 0.3 * _draw(rng, 2)
    return replace(shape, cusps=cusps, grooves=grooves, pits=pits, apex=(float(apex[0]), float(apex[1])))


def _scaled(shape: Shape, *, md: float, bl: float) -> Shape:
    """What the table says in millimetres across the tooth, grown with its widths: silhouettes and roots."""
    return replace(
        shape,
        facial=_side(shape.facial, bl),
        lingual=_side(shape.lingual, bl),
        mesial=_side(shape.mesial, md),
        distal=_side(shape.distal, md),
        roots=tuple(_root(root, md, bl) for root in shape.roots),
    )


def _side(side: Side, factor: float) -> Side:
    above, below = (tuple((h, inset * factor) for h, inset in rows) for rows in (side.above, side.below))
    return replace(side, above=above, below=below)


def _root(root: Root, md: float, bl: float) -> Root:
    path, half = (tuple((t, x * md, y * bl) for t, x, y in rows) for rows in (root.path, root.half))
    return replace(root, path=path, half=half)
