"""Makes the pictures of docs/replay.md and docs/instruments.md from a simulated motion and from the instruments' own profiles.

Run `python docs/make_replay.py`.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from kerfmark.geometry.edges import components
from kerfmark.geometry.grids import sample
from kerfmark.instruments import instrument, instrument_names, shank_profile
from kerfmark.live import point_shell
from kerfmark.pipeline import open_exercise
from kerfmark.records import Motion
from kerfmark.replay import cut_surface, replay
from kerfmark.reports.view.camera import Camera
from kerfmark.reports.view.render import KEY_LIGHT, render, shade
from kerfmark.settings import read_settings

PICTURES = Path(__file__).parent / "pictures"
DIAMOND, BALL = "chamfer diamond 1.0 to 1.6", "round 1.8"
STEPS = np.array([[0, 32, 76], [66, 77, 108], [124, 123, 120], [187, 174, 110], [255, 234, 70]], dtype=float)
OLD = np.array([233.0, 231.0, 226.0])


def farthest(grid, shell, start, way, *, most=8.0):
    """How far from each start along its way a head first clears the body, to 2 µm."""
    low, high = np.zeros(len(start)), np.full(len(start), most)
    for _ in range(12):
        middle = (low + high) / 2
        points = (start + middle[:, None] * way)[:, None, :] + shell[None, :, :3]
        clear = sample(grid, points.reshape(-1, 3)).reshape(len(start), -1).min(axis=1) >= 0.0
        low, high = np.where(clear, low, middle), np.where(clear, middle, high)
    return start + high[:, None] * way


def around(prepared):
    """Three rounds about the stump, each nearer, the instrument upright."""
    shell, turn = point_shell(instrument(DIAMOND)), np.linspace(0.0, 2 * np.pi, 900)
    out = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    touching = farthest(prepared.target_grid, shell, np.tile([0.0, 0.0, 1.0], (900, 1)), out)
    rounds = [touching + off * out + [0.0, 0.0, lift] for off, lift in ((0.7, 0.5), (0.3, 0.2), (0.0, 0.0))]
    return np.concatenate(rounds)


def over(prepared):
    """Strokes to and fro over the occlusal surface."""
    shell, rows = point_shell(instrument(BALL)), np.arange(-4.6, 4.7, 0.35)
    strokes = [np.linspace(-5.4, 5.4, 160)[:: 1 if n % 2 == 0 else -1] for n in range(len(rows))]
    flat = np.concatenate(
        [np.stack([x, np.full(160, y), np.full(160, 2.0)], axis=1) for x, y in zip(strokes, rows, strict=True)]
    )
    return farthest(prepared.target_grid, shell, flat, np.tile([0.0, 0.0, 1.0], (len(flat), 1)), most=10.0)


def motion_about(prepared):
    """Both, at 100 samples a second."""
    first, second = over(prepared), around(prepared)
    tip, n = np.vstack([first, second]), len(first) + len(second)
    joined = np.ones(n, dtype=bool)
    joined[[0, len(first)]] = False
    held = np.repeat([0, 1], [len(first), len(second)]).astype(np.int32)
    upright = np.tile([1.0, 0, 0, 0], (n, 1))
    return Motion(np.arange(n) / 100.0, tip, upright, joined, np.ones(n, dtype=bool), held, (BALL, DIAMOND))


def coloured(surface, times, camera, *, width, height, floor_mm):
    """The surface, what was cut coloured by time from dark (first) to light (last)."""
    old, share = ~np.isfinite(times), np.nan_to_num(times / np.nanmax(times), nan=0.0)
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


def bar(width, height=26):
    """The scale of times, first to last."""
    strip = np.full((height + 18, width, 3), 255, dtype=np.uint8)
    place = np.linspace(0, len(STEPS) - 1 - 1e-9, width // 2)
    low = place.astype(int)
    strip[6 : height - 6, width // 4 : width // 4 + width // 2] = STEPS[low] + (place - low)[:, None] * (
        STEPS[low + 1] - STEPS[low]
    )
    return strip


def write_png(path, picture):
    """8-bit RGB."""
    height, width = picture.shape[:2]
    rows = b"".join(b"\0" + row.tobytes() for row in picture)
    parts = [
        (b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)),
        (b"IDAT", zlib.compress(rows, 9)),
        (b"IEND", b""),
    ]
    body = b"".join(struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in parts)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + body)


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
    _, prepared = open_exercise("full-crown-46", settings=read_settings())
    motion = motion_about(prepared)
    tools = [instrument(name) for name in motion.instruments]
    field = replay(motion, prepared.subject_grid, instruments=tools, spacing_mm=0.05)
    cut = cut_surface(field, prepared.subject_grid)
    left = components(cut.surface)[0]  # what was cut off falls off
    times = cut.time_s[cKDTree(cut.surface.vertices_mm).query(left.vertices_mm)[1]]
    size, middle = (560, 520), np.array([0.0, 0.0, 2.6])
    views = [((0.5, 0.9, 0.6), (0, 0, 1)), ((0.05, 0.05, 1.0), (0, 1, 0))]
    pictures = [
        coloured(left, times, looking(eye, up, size, 36.0, middle), width=size[0], height=size[1], floor_mm=-3.0)
        for eye, up in views
    ]
    write_png(PICTURES / "replay.png", np.vstack([np.hstack(pictures), bar(2 * size[0])]))


if __name__ == "__main__":
    main()
