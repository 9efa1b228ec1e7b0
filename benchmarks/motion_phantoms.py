"""Blocks in two layers to replay recorded motion in: enamel above dentine, cut from the occlusal side."""

from __future__ import annotations

from kerfmark.geometry.mesh_files import write_surface
from kerfmark.geometry.solids import Solid

EXERCISE = """
format = 1
id = "{id}"
title = "Block in two layers"
family = "block"
instruction = "Clear a pocket."

[subject]
surface = "block.stl"
layers = {{ enamel = "upper.stl", dentine = "lower.stl" }}

[frame]
origin = {origin}
occlusal = {occlusal}
facial = [0.0, 1.0, 0.0]
mesial = "-x"

[target]
clear = "enamel"
{permitted}
[source]
kind = "motion"

[[criteria]]
reading = "surface.removed_mm3"
where = "all"
limits = [0.0, 500.0]
"""


def write_two_layers(folder, low, high, *, enamel_mm, up=2, permitted=()):
    """The exercise folder of a box of the files from `low` to `high`: occlusal along axis `up`, origin in the middle of the top."""
    folder.mkdir(exist_ok=True)
    origin = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
    origin[up] = float(high[up])
    text = EXERCISE.format(
        id=folder.name.rstrip("0123456789"),
        origin=origin,
        occlusal=[float(axis == up) for axis in range(3)],
        permitted=f"\n[permitted]\ninstruments = {list(permitted)}\n" if permitted else "",
    )
    (folder / "exercise.toml").write_text(text, encoding="utf-8")
    middle_low, middle_high = list(low), list(high)
    middle_low[up] = middle_high[up] = high[up] - enamel_mm
    for name, a, b in (("block", low, high), ("upper", middle_low, high), ("lower", low, middle_high)):
        write_surface(folder / f"{name}.stl", Solid.box(a, b).surface())
    return folder
