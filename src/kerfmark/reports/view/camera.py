"""Parallel projection of tooth-frame points onto a picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from kerfmark.records import FloatArray

__all__ = ["VIEW_NAMES", "Camera", "camera_towards", "direction_words", "seen_words"]

VIEW_NAMES: Final = {"S": "slanted", "O": "occlusal", "B": "buccal", "L": "lingual", "M": "mesial", "D": "distal"}
"""Letter of each stated direction: where the eye stands."""


def direction_words(letter: str, *, mesial_sign: int, tooth: bool) -> tuple[str, str]:
    """What a view's button shows and what it is called: of a tooth O and occlusal; of a block Z and along z."""
    x, other = ("+X", "−X") if mesial_sign > 0 else ("−X", "+X")
    on_block = {"O": "+Z", "B": "+Y", "L": "−Y", "M": x, "D": other}
    if letter not in on_block:
        return "¾", VIEW_NAMES.get(letter, "slanted, from behind")
    return (letter, VIEW_NAMES[letter]) if tooth else (on_block[letter], f"from {on_block[letter].lower()}")


def seen_words(letter: str, *, mesial_sign: int, tooth: bool) -> str:
    """From where a printed view was taken, as a caption.

    >>> seen_words("Z", mesial_sign=1, tooth=True)
    'slanted, from the lingual and distal side'
    """
    if letter not in ("S", "Z"):
        words = direction_words(letter, mesial_sign=mesial_sign, tooth=tooth)[1]
        return f"from the {words} side" if tooth else words
    if not tooth:
        return "slanted, from the front" if letter == "S" else "slanted, from behind"
    return f"slanted, from the {'buccal and mesial' if letter == 'S' else 'lingual and distal'} side"


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """A parallel projection: unit `right`, `up` and `eye` (towards the viewer), scale and place of the origin on the picture."""

    right: FloatArray
    up: FloatArray
    eye: FloatArray
    px_per_mm: float
    origin_px: FloatArray

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Column, row and depth (px, larger is nearer) of points (n, 3)."""
        points = np.asarray(points_mm, dtype=float).reshape(-1, 3)
        columns = self.origin_px[0] + self.px_per_mm * points @ self.right
        rows = self.origin_px[1] - self.px_per_mm * points @ self.up
        return np.column_stack([columns, rows, self.px_per_mm * points @ self.eye])

    def scaled(self, factor: float) -> Camera:
        """The same view on a picture `factor` times as large, its pixel centres half a pixel in from its edge."""
        return Camera(self.right, self.up, self.eye, self.px_per_mm * factor, (self.origin_px + 0.5) * factor - 0.5)


def _eye_of(letter: str, mesial_sign: int) -> tuple[FloatArray, FloatArray]:
    """Towards the eye, and which way is up, for a view's letter."""
    mesial = np.array([float(mesial_sign), 0.0, 0.0])
    facial, occlusal = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
    sides = {"B": facial, "L": -facial, "M": mesial, "D": -mesial}
    if letter == "O":
        return occlusal, -facial
    if letter in sides:
        return sides[letter] + 0.12 * occlusal, occlusal
    back = -1.0 if letter == "Z" else 1.0
    return back * (0.80 * facial + 0.45 * mesial) + 0.62 * occlusal, occlusal


def camera_towards(
    letter: str, points_mm: FloatArray, *, mesial_sign: int, width: int, height: int, margin_px: tuple[float, float]
) -> Camera:
    """The camera for one of `VIEW_NAMES` (and `Z`, slanted from behind), scaled so that all points fit.

    Parameters
    ----------
    letter : str
    points_mm : (n, 3) float array
        What has to fit into the picture.
    mesial_sign : int
    width, height : int, px
    margin_px : pair of float
        Kept free at each side, and at top and bottom.
    """
    eye, up = _eye_of(letter, mesial_sign)
    eye = eye / np.linalg.norm(eye)
    right = np.cross(up, eye)
    right /= np.linalg.norm(right)
    up = np.cross(eye, right)
    flat = np.asarray(points_mm) @ np.column_stack([right, up])
    low, high = flat.min(axis=0), flat.max(axis=0)
    room = np.array([width - 2 * margin_px[0], height - 2 * margin_px[1]])
    scale = float((room / np.maximum(high - low, 1e-6)).min())
    middle = (low + high) / 2
    return Camera(right, up, eye, scale, np.array([width / 2 - scale * middle[0], height / 2 + scale * middle[1]]))
