"""Teeth set along an arch: in contact, on a curve of Spee, with their inclinations.

The jaw frame looks at the jaw from the occlusal side, whichever jaw it is: +z occlusal, +y forward, the midline on x = 0;
millimetres. Positive x is the right side of a lower jaw and the left side of an upper one.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal

import numpy as np

from kerfmark.anatomy.form import ToothForm, outer_surface, tooth_form
from kerfmark.anatomy.notation import as_fdi, is_primary, is_upper, position, quadrant
from kerfmark.errors import InputError
from kerfmark.geometry.frames import rigid_inverse, rotation_about, transform_points
from kerfmark.geometry.mesh import transformed
from kerfmark.records import FloatArray, Surface

__all__ = ["Arch", "Contact", "Jaw", "Placed", "arch", "neighbours", "placed_about", "touching"]

Jaw = Literal["upper", "lower"]

GAP_MM = 0.02
"""Left between neighbours at their contact, so that separate closed surfaces never overlap."""

# The arch through the middles of the crowns, y = −(c2 x² + c4 x⁴): chosen so that canines stand about 35 and 26 mm and
# second molars about 58 and 54 mm apart, as in common practice for upper and lower adult arches.
_CURVES: dict[str, tuple[float, float]] = {"upper": (0.0190, 3.40e-5), "lower": (0.0305, 2.97e-5)}
# Depth of the curve of Spee at its deepest, on the lower teeth; the upper ones hang into it (practice: 1 to 2 mm).
_SPEE_MM = {"upper": 1.2, "lower": -1.5}
# Lean of the long axis towards facial, and of the crown towards mesial, by position from the midline, degrees. The mesial
# tips are those of Andrews (1972, memory); the facial leans are common practice for long axes.
_LEAN = {"upper": (20, 18, 10, 4, 3, 4, 6, 8), "lower": (14, 12, 6, -2, -6, -10, -13, -15)}
_TIP = {"upper": (5, 9, 11, 2, 2, 5, 5, 3), "lower": (2, 2, 5, 2, 2, 2, 2, 2)}


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A tooth in its place: `matrix` (4 × 4) carries its tooth frame into the frame it stands in."""

    fdi: int
    form: ToothForm
    matrix: FloatArray

    def surface(self, *, edge_mm: float = 0.2) -> Surface:
        """Its closed outer surface where it stands."""
        return transformed(outer_surface(self.form, edge_mm=edge_mm), self.matrix)

    def field(self, points_mm: FloatArray) -> FloatArray:
        """Its signed distance, to first order near it, at points of the frame it stands in."""
        return self.form.field(transform_points(rigid_inverse(self.matrix), points_mm))


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """Where two neighbours meet: their codes, the point between them, and the direction from the first to the second."""

    between: tuple[int, int]
    point_mm: FloatArray
    across: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Arch:
    """A jaw's teeth from one end to the other, their contacts, and the sites left empty."""

    jaw: Jaw
    teeth: tuple[Placed, ...]
    contacts: tuple[Contact, ...]
    empty: tuple[Placed, ...] = ()
    seed: int | None = None


def arch(jaw: Jaw, *, missing: Collection[int] = (), third_molars: bool = False, seed: int | None = None) -> Arch:
    """A whole arch, set from the midline outwards, each tooth moved along the curve until it touches the one before.

    Parameters
    ----------
    jaw : {'upper', 'lower'}
    missing : collection of int
        FDI numbers of edentulous sites; their room is kept.
    third_molars : bool
    seed : int, optional
        Varies the teeth.

    Raises
    ------
    InputError
        If the jaw is neither, or a missing tooth is not one of it.
    """
    if jaw not in ("upper", "lower"):
        raise InputError(f"jaw is '{jaw}', expected upper or lower. Choose one of them.")
    codes = _codes(jaw, third_molars)
    gone = {as_fdi(code) for code in missing}
    if gone - set(codes):
        raise InputError(
            f"missing tooth {min(gone - set(codes))} is not in the {jaw} arch of {codes}. Choose from them."
        )
    right, left = ([c for c in codes if quadrant(c) % 2 == side] for side in (1, 0))
    halves = [_half(sorted(half, key=position), seed) for half in (right, left)]
    line = [*halves[0][::-1], *halves[1]]
    line = _shifted_to_touch(line, len(halves[0]))
    present = tuple(p for p in line if p.fdi not in gone)
    pairs = [(a, b) for a, b in pairwise(line) if a.fdi not in gone and b.fdi not in gone]
    return Arch(jaw, present, tuple(touching(a, b) for a, b in pairs), tuple(p for p in line if p.fdi in gone), seed)


def neighbours(fdi: int | str, *, seed: int | None = None, edge_mm: float = 0.1) -> dict[str, Surface]:
    """The teeth beside a tooth, touching it, in *its* tooth frame.

    Parameters
    ----------
    fdi : int or str
    seed : int, optional
    edge_mm : float, mm

    Returns
    -------
    neighbours : dict of 'mesial' and 'distal' to Surface
        Closed, crown and roots. The last tooth of an arch has no distal one.
    """
    beside = placed_about(as_fdi(fdi), seed=seed)
    return {side: placed.surface(edge_mm=edge_mm) for side, placed in beside.items() if side != "middle"}


def placed_about(fdi: int, *, seed: int | None = None) -> dict[str, Placed]:
    """A tooth (`middle`) and its neighbours (`mesial`, `distal`) placed in contact, in that tooth's frame."""
    sides = _beside(fdi)
    home = rigid_inverse(_pose(fdi, seed, _along(fdi, seed)))
    found = {"middle": Placed(fdi, _form(fdi, seed), np.eye(4))}
    for side, code in sides.items():
        there = Placed(code, _form(code, seed), home @ _pose(code, seed, _along(code, seed)))
        away = np.sign(there.matrix[0, 3]) * np.array([1.0, 0.0, 0.0])
        found[side] = _moved_to_touch(found["middle"], there, away)
    return found


def touching(first: Placed, second: Placed) -> Contact:
    """The contact of two placed teeth: half way between their closest points."""
    points = _towards(first, second)
    gaps = first.field(points)
    across = second.matrix[:3, 3] - first.matrix[:3, 3]
    near = points[gaps <= gaps.min() + 0.05]
    return Contact((first.fdi, second.fdi), near.mean(axis=0), across / np.linalg.norm(across))


def _codes(jaw: Jaw, third_molars: bool) -> list[int]:
    last = 8 if third_molars else 7
    quadrants = (1, 2) if jaw == "upper" else (3, 4)
    return [10 * q + n for q in quadrants for n in range(1, last + 1)]


def _beside(fdi: int) -> dict[str, int]:
    if is_primary(fdi):
        raise InputError(
            f"tooth {fdi} is a primary tooth, expected a permanent one: 11 to 18 … 41 to 48. Choose one of those."
        )
    n = position(fdi)
    across = {1: 21, 2: 11, 3: 41, 4: 31}
    sides = {"mesial": across[quadrant(fdi)] if n == 1 else fdi - 1}
    return sides | ({"distal": fdi + 1} if n < 8 else {})


@lru_cache(maxsize=64)
def _form(fdi: int, seed: int | None) -> ToothForm:
    return tooth_form(fdi, seed=seed)


def _along(fdi: int, seed: int | None) -> float:
    """Length along the curve from the midline to the tooth's middle, by widths."""
    widths = [_form(10 * quadrant(fdi) + n, seed).dimensions.md for n in range(1, position(fdi) + 1)]
    return float(sum(widths[:-1]) + 0.5 * widths[-1])


def _at(jaw: str, along_mm: float) -> tuple[FloatArray, float]:
    """The point of the right or left half of the curve (x ≥ 0) at a length from the midline, and its slope."""
    c2, c4 = _CURVES[jaw]
    x = np.linspace(0.0, 45.0, 1801)
    slope = 2 * c2 * x + 4 * c4 * x**3
    length = np.concatenate([[0.0], np.cumsum(0.5 * (np.hypot(1, slope[1:]) + np.hypot(1, slope[:-1])) * np.diff(x))])
    at = float(np.interp(along_mm, length, x))
    return np.array([at, -(c2 * at**2 + c4 * at**4)]), 2 * c2 * at + 4 * c4 * at**3


def _pose(fdi: int, seed: int | None, along_mm: float) -> FloatArray:
    """From the tooth frame into the jaw frame: on the curve, leaning, its highest facial point on the curve of Spee."""
    jaw = "upper" if is_upper(fdi) else "lower"
    side = 1.0 if quadrant(fdi) in (2, 4) else -1.0
    (x, y), slope = _at(jaw, along_mm)
    facial = np.array([side * slope, 1.0, 0.0]) / np.hypot(slope, 1.0)
    upright = np.eye(4)
    upright[:3, :3] = np.column_stack([np.cross(facial, [0.0, 0.0, 1.0]), facial, [0.0, 0.0, 1.0]])
    form, n = _form(fdi, seed), position(fdi) - 1
    lean = rotation_about([-1.0, 0.0, 0.0], _LEAN[jaw][n])
    tip = rotation_about([0.0, 1.0, 0.0], form.mesial_sign * _TIP[jaw][n])
    turned = upright @ tip @ lean
    return _set_down(turned, form, np.array([side * x, y]), _spee(jaw, along_mm))


def _set_down(turned: FloatArray, form: ToothForm, at: FloatArray, level_mm: float) -> FloatArray:
    """The turned tooth moved so that the middle of its contacts lies over the curve and its highest point at a level."""
    contacts = [site.point_mm for site in form.sites.values() if site.role == "contact"]
    middle = transform_points(turned, np.mean(contacts, axis=0)[None])[0]
    tops = [s.point_mm for s in form.sites.values() if s.role.endswith("cusp") or s.role == "incisal_edge"]
    top = transform_points(turned, np.array(tops))[:, 2].max()
    pose = turned.copy()
    pose[:3, 3] = [at[0] - middle[0], at[1] - middle[1], level_mm - top]
    return pose


def _spee(jaw: str, along_mm: float) -> float:
    return _SPEE_MM[jaw] * float(np.sin(np.pi * np.clip(along_mm / 52.0, 0.0, 1.0)))


@lru_cache(maxsize=64)
def _skin(form: ToothForm) -> FloatArray:
    """Points of a form's surface 0.2 mm apart: enough to find where it touches, in the tooth frame."""
    return outer_surface(form, edge_mm=0.2).vertices_mm


def _towards(first: Placed, second: Placed) -> FloatArray:
    """The second tooth's crown vertices that look at the first: the half of it that lies nearer."""
    points = transform_points(second.matrix, _skin(second.form))
    across = second.matrix[:3, 3] - first.matrix[:3, 3]
    middle = second.matrix[:3, 3]
    facing: FloatArray = points[(points - middle) @ across < 0]
    return facing


def _moved_to_touch(still: Placed, moving: Placed, away: FloatArray) -> Placed:
    """The second tooth moved along `away` until the gap between the two is `GAP_MM`, by bisection over ± 4 mm."""
    back = rigid_inverse(still.matrix)
    points = transform_points(back, _towards(still, moving))
    step = back[:3, :3] @ away
    box = still.form.bounds_mm + np.array([[-0.5], [0.5]])

    def gap(shift: float) -> float:
        there = points + shift * step
        near = there[((there > box[0]) & (there < box[1])).all(axis=1)]
        return float(still.form.field(near).min()) if len(near) else np.inf

    low, high = -4.0, 4.0
    for _ in range(22):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if gap(middle) > GAP_MM else (middle, high)
    return _shifted(moving, high * away)


def _shifted(placed: Placed, shift: FloatArray) -> Placed:
    matrix = placed.matrix.copy()
    matrix[:3, 3] += shift
    return Placed(placed.fdi, placed.form, matrix)


def _half(codes: Sequence[int], seed: int | None) -> list[Placed]:
    """One side's teeth from the midline outwards, each set in contact with the one before."""
    line: list[Placed] = []
    moved = 0.0
    for code in codes:
        along = _along(code, seed) + moved
        there = Placed(code, _form(code, seed), _pose(code, seed, along))
        if line:
            out = there.matrix[:3, 3] - line[-1].matrix[:3, 3]
            out = np.array([out[0], out[1], 0.0]) / np.hypot(out[0], out[1])
            touched = _moved_to_touch(line[-1], there, out)
            shift = float((touched.matrix[:3, 3] - there.matrix[:3, 3]) @ out)
            # Set anew on the curve at the moved length, then closed up for good: the tooth turns with the curve.
            moved += shift
            there = Placed(code, _form(code, seed), _pose(code, seed, along + shift))
            there = _moved_to_touch(line[-1], there, out)
        line.append(there)
    return line


def _shifted_to_touch(line: list[Placed], midline: int) -> list[Placed]:
    """Both halves moved alike in x until the two first incisors touch."""
    first, second = line[midline - 1], line[midline]
    out = np.array([np.sign(second.matrix[0, 3]), 0.0, 0.0])
    touched = _moved_to_touch(first, second, out)
    half = 0.5 * (touched.matrix[:3, 3] - second.matrix[:3, 3])
    return [_shifted(p, -half) for p in line[:midline]] + [_shifted(p, half) for p in line[midline:]]
