"""Makes the pictures of docs/replay.md and docs/instruments.md from a simulated motion and from the instruments' own profiles.

Run `python docs/make_replay.py`.
"""

from __future__ import annotations

import base64
import struct
import zlib
from importlib.resources import files
from pathlib import Path

import numpy as np
import vl_convert
from scipy.spatial import cKDTree

from kerfmark.demo.operators import simulated_motion
from kerfmark.geometry.edges import components
from kerfmark.instruments import instrument, instrument_names, shank_profile
from kerfmark.pipeline import open_exercise
from kerfmark.recorded import tools_held
from kerfmark.replay import cut_surface, replay
from kerfmark.reports.tokens import PAPER_FONT
from kerfmark.reports.view.camera import Camera
from kerfmark.reports.view.render import KEY_LIGHT, render, shade
from kerfmark.settings import read_settings

PICTURES = Path(__file__).parent / "pictures"
STEPS = np.array([[0, 32, 76], [66, 77, 108], [124, 123, 120], [187, 174, 110], [255, 234, 70]], dtype=float)
OLD = np.array([233.0, 231.0, 226.0])


def coloured(surface, times, camera, *, width, height, floor_mm):
    """The surface, what was cut coloured by time from dark (first) to light (last)."""
    old = ~np.isfinite(times)
    share = np.where(old, 0.0, times / times[~old].max())
    beside = surface.faces[old[surface.faces].any(axis=1)]
    reach = np.zeros(len(share))
    np.maximum.at(reach, beside, share[beside].max(axis=1, keepdims=True))
    share = np.where(old, reach, share)
    how = {"width": width, "height": height, "floor_mm": floor_mm}
    buffers = render(shade(surface, share, rounds=1), camera, **how)
    is_old = render(shade(surface, old.astype(float), rounds=0), camera, **how).deviation_mm > 0.5
    world = KEY_LIGHT[0] * camera.right + KEY_LIGHT[1] * camera.up + KEY_LIGHT[2] * camera.eye
    normals = buffers.normals / np.maximum(np.linalg.norm(buffers.normals, axis=2, keepdims=True), 1e-6)
    light = 0.45 + 0.55 * np.clip(0.5 + 0.5 * normals @ world / np.linalg.norm(world), 0.0, 1.0) ** 1.3
    place = np.clip(buffers.deviation_mm, 0.0, 1.0) * (len(STEPS) - 1)
    low = np.minimum(place.astype(int), len(STEPS) - 2)
    colour = STEPS[low] + (place - low)[..., None] * (STEPS[low + 1] - STEPS[low])
    colour = np.where(is_old[..., None], OLD, colour) * light[..., None]
    colour = np.where(buffers.covered[..., None], colour, 255.0)
    return colour.reshape(height, 2, width, 2, 3).mean(axis=(1, 3)).astype(np.uint8)


def with_scale(path, picture, *, seconds):
    """The picture with the scale of times below it, in seconds from the first cut to the last."""
    height, width = picture.shape[:2]
    left, long, top = width // 4, width // 2, height + 14
    stops = "".join(
        f'<stop offset="{n / (len(STEPS) - 1)}" stop-color="rgb({",".join(f"{c:.0f}" for c in step)})"/>'
        for n, step in enumerate(STEPS)
    )
    ticks = "".join(
        f'<path d="M{left + long * at / seconds:.1f} {top + 16}v5" stroke="#1f2628"/>'
        f'<text x="{left + long * at / seconds:.1f}" y="{top + 36}" text-anchor="middle">{at:g}</text>'
        for at in np.arange(0.0, seconds + 1e-9, 15.0)
    )
    names = "".join(
        f'<text x="{width * place}" y="18" text-anchor="middle">{name}</text>'
        for place, name in ((0.25, "from the mesial and buccal"), (0.75, "from above"))
    )
    drawing = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="{width}" height="{height + 60}" '
        f'font-family="{PAPER_FONT}" font-size="15" fill="#3b4042"><rect width="100%" height="100%" fill="#ffffff"/>'
        f'<image width="{width}" height="{height}" xlink:href="data:image/png;base64,{base64.b64encode(png_of(picture)).decode()}"/>'
        f'<defs><linearGradient id="t">{stops}</linearGradient></defs>'
        f'<rect x="{left}" y="{top}" width="{long}" height="14" fill="url(#t)"/>{ticks}{names}'
        f'<text x="{left + long + 14}" y="{top + 12}">s when laid bare</text>'
        f'<rect x="{left - 130}" y="{top}" width="14" height="14" fill="rgb({",".join(f"{c:.0f}" for c in OLD)})" stroke="#7c8280"/>'
        f'<text x="{left - 110}" y="{top + 12}">not cut</text></svg>'
    )
    vl_convert.register_font_directory(str(files("kerfmark.reports") / "fonts"))
    path.write_bytes(vl_convert.svg_to_png(drawing, scale=1))


def png_of(picture):
    """8-bit RGB, as a file's bytes."""
    height, width = picture.shape[:2]
    rows = b"".join(b"\0" + row.tobytes() for row in picture)
    parts = [
        (b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)),
        (b"IDAT", zlib.compress(rows, 9)),
        (b"IEND", b""),
    ]
    body = b"".join(struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in parts)
    return b"\x89PNG\r\n\x1a\n" + body


def looking(eye, up, size, scale, middle):
    """A camera that has `middle` in the middle of the picture."""
    eye = np.array(eye, dtype=float) / np.linalg.norm(eye)
    right = np.cross(up, eye)
    right /= np.linalg.norm(right)
    up = np.cross(eye, right)
    origin = np.array([size[0] / 2 - scale * right @ middle, size[1] / 2 + scale * up @ middle])
    return Camera(right, up, eye, scale, origin)


def instruments_sheet():
    """Every built-in instrument's head from its profile, its neck and shank in outline, at one scale."""
    scale, wide, columns = 12.0, 112, 10
    names = instrument_names()
    rows = [names[first : first + columns] for first in range(0, len(names), columns)]
    tallest = [max(scale * max(instrument(name).length_mm + 2.0, 14.0) for name in row) for row in rows]
    floors = np.cumsum([height + 66 for height in tallest]) - 52
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {columns * wide} {floors[-1] + 70:.0f}" font-family="Barlow, sans-serif" '
        'font-size="10" fill="#3b4042"><rect width="100%" height="100%" fill="#ffffff"/>'
    ]
    for n, name in enumerate(names):
        tool = instrument(name)
        x, y = (n % columns + 0.5) * wide, floors[n // columns]
        for profile, style in (
            (np.vstack([shank_profile(tool)[:3]]), 'fill="none" stroke="#a9adab" stroke-width="0.8"'),
            (tool.profile_mm, 'fill="#dfe3e1" stroke="#1f2628" stroke-width="1"'),
        ):
            right = np.column_stack([x + scale * profile[:, 1], y - scale * profile[:, 0]])
            left = np.column_stack([x - scale * profile[:, 1], y - scale * profile[:, 0]])[::-1]
            points = " ".join(f"{a:.1f},{b:.1f}" for a, b in np.vstack([right, left]))
            parts.append(f'<polyline points="{points}" {style}/>')
        words = name.replace(", ", ",|").replace(" to ", "| to ").split("|")
        shown = "".join(f'<tspan x="{x:.0f}" dy="11">{word.strip()}</tspan>' for word in words)
        size = f"ø {tool.diameter_mm:g}, {tool.length_mm:g} long"
        parts.append(
            f'<text x="{x:.0f}" y="{y + 4:.0f}" text-anchor="middle">{shown}<tspan x="{x:.0f}" dy="11" fill="#7c8280">{size}</tspan></text>'
        )
    foot = round(floors[-1] + 54)
    parts.append(
        f'<path d="M20 {foot}h{5 * scale}" stroke="#1f2628"/><text x="{26 + 5 * scale}" y="{foot + 4}">5 mm</text></svg>'
    )
    (PICTURES / "instruments.svg").write_text("".join(parts), encoding="utf-8")


def main():
    """Make the pictures."""
    instruments_sheet()
    settings = read_settings()
    _, prepared = open_exercise("full-crown-46", settings=settings)
    motion = simulated_motion("full-crown-46", level="able", seed=1, settings=settings).motion
    field = replay(motion, prepared.subject_grid, instruments=tools_held(motion, prepared), spacing_mm=0.05)
    cut = cut_surface(field, prepared.subject_grid)
    left = components(cut.surface)[0]  # what was cut off falls off
    times = cut.time_s[cKDTree(cut.surface.vertices_mm).query(left.vertices_mm)[1]]
    size, middle = (560, 520), np.array([0.0, 0.0, 2.6])
    views = [((0.5, 0.9, 0.6), (0, 0, 1)), ((0.05, 0.05, 1.0), (0, 1, 0))]
    pictures = [
        coloured(left, times, looking(eye, up, size, 36.0, middle), width=size[0], height=size[1], floor_mm=-3.0)
        for eye, up in views
    ]
    with_scale(PICTURES / "replay.png", np.hstack(pictures), seconds=float(np.nanmax(times[np.isfinite(times)])))


if __name__ == "__main__":
    main()
