"""Draw the gallery: every tooth from five sides, sections with their layers, arches, jaws, lesions, a simulated CT.

Run from the project's root: `python docs/gallery/make.py`. Writes the pictures and `index.md` beside this file.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont
from scipy.ndimage import gaussian_filter

from kerfmark.anatomy.arch import Arch, arch
from kerfmark.anatomy.gingiva import gingiva
from kerfmark.anatomy.greys import simulated_ct
from kerfmark.anatomy.jaw import jaw_bone, typodont_base
from kerfmark.anatomy.lesions import Lesion, with_lesion
from kerfmark.anatomy.notation import tooth_name
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.geometry.sections import section_curves
from kerfmark.kernels.raster import averaged, greys, hollows, rasterise
from kerfmark.records import FloatArray, SectionPlane, Surface
from kerfmark.reports.tokens import LIGHT

HERE = Path(__file__).parent
FONTS = HERE.parents[1] / "src/kerfmark/reports/fonts"
CACHE = Path(sys.argv[1]) if len(sys.argv) > 1 else None
FINER = 2
TYPES = ((11, 12, 13, 14, 15, 16, 17, 18), (31, 32, 33, 34, 35, 36, 37, 38))
SIDES = {
    "facial": ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "mesial": ((1.0, 0.0, 0.0), (0.0, 0.0, 1.0)),
    "lingual": ((0.0, -1.0, 0.0), (0.0, 0.0, 1.0)),
    "distal": ((-1.0, 0.0, 0.0), (0.0, 0.0, 1.0)),
    "occlusal": ((0.0, 0.0, 1.0), (0.0, 1.0, 0.0)),
}
KEY_LIGHT = np.array([-0.48, 0.62, 0.62]) / np.linalg.norm([-0.48, 0.62, 0.62])
TINTS = {"tooth": 1.0, "gingiva": 0.70, "bone": 0.86, "base": 0.60}

Picture = Image.Image
Items = Sequence[tuple[Surface, float]]


def font(size: int, weight: int = 500) -> ImageFont.FreeTypeFont:
    """The sheet's face."""
    return ImageFont.truetype(str(FONTS / f"barlow-semi-condensed-{weight}.ttf"), size)


def shaded(
    items: Items, eye: Sequence[float], up: Sequence[float], *, px_per_mm: float, size: tuple[int, int]
) -> Picture:
    """Surfaces in parallel projection, each in its own grey, on the sheet's colour."""
    eye, up = np.asarray(eye, float), np.asarray(up, float)
    eye = eye / np.linalg.norm(eye)
    right = np.cross(up, eye)
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(eye, right), eye])
    points, faces, values = gathered(items)
    flat = points @ axes.T
    middle = 0.5 * (flat.min(axis=0) + flat.max(axis=0))
    scale = px_per_mm * FINER
    width, height = size[0] * FINER, size[1] * FINER
    columns, rows = width / 2 + scale * (flat[:, 0] - middle[0]), height / 2 - scale * (flat[:, 1] - middle[1])
    projected = np.ascontiguousarray(np.column_stack([columns, rows, scale * flat[:, 2]]))
    depth, image = rasterise(projected, faces, values, height, width)
    coarse = np.ascontiguousarray(depth[::FINER, ::FINER]) / FINER
    dark = softened(
        hollows(coarse.astype(np.float32), max(8, round(1.6 * px_per_mm))), np.isfinite(coarse), 0.14 * px_per_mm
    )
    grey, _ = greys(depth, np.ascontiguousarray(image[:, :, :3]), dark, KEY_LIGHT @ axes, eye, 236.0)
    return on_sheet(grey, image[:, :, 3]).resize(size, Image.Resampling.LANCZOS)


def softened(shade: np.ndarray, hit: np.ndarray, width: float) -> np.ndarray:
    """The shade blurred within the picture's own outline: eight directions leave hard edges behind what stands far in front."""
    weight = gaussian_filter(hit.astype(np.float32), width)
    blurred = gaussian_filter(np.where(hit, shade, 0.0).astype(np.float32), width)
    return np.ascontiguousarray(blurred / np.maximum(weight, 1e-6), dtype=np.float32)


def gathered(items: Items) -> tuple[FloatArray, np.ndarray, np.ndarray]:
    """All surfaces as one, with smoothed normals and the tint of each vertex."""
    points, faces, values, count = [], [], [], 0
    for surface, tint in items:
        corners = surface.vertices_mm[surface.faces]
        across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        own = np.zeros((len(surface.vertices_mm), 5), dtype=np.float32)
        for axis in range(3):
            weights = np.repeat(across[:, axis], 3)
            own[:, axis] = np.bincount(surface.faces.ravel(), weights=weights, minlength=len(own))
        own[:, :3] /= np.maximum(np.linalg.norm(own[:, :3], axis=1, keepdims=True), 1e-12)
        own = averaged(own, surface.faces, 1)
        own[:, 3] = tint
        points.append(surface.vertices_mm)
        faces.append(surface.faces + count)
        values.append(own)
        count += len(surface.vertices_mm)
    return np.vstack(points), np.ascontiguousarray(np.vstack(faces), dtype=np.int32), np.vstack(values)


def on_sheet(grey: np.ndarray, tint: np.ndarray) -> Picture:
    """Grey and alpha, tinted, laid on the sheet."""
    alpha = grey[:, :, 1:2].astype(float) / 255
    tone = grey[:, :, :1].astype(float) * np.where(tint > 0, tint, 1.0)[:, :, None]
    sheet = np.array([int(LIGHT["sheet"][k : k + 2], 16) for k in (1, 3, 5)], float)
    return Image.fromarray((alpha * tone * np.array([1.0, 1.0, 0.985]) + (1 - alpha) * sheet).astype(np.uint8), "RGB")


def new_sheet(width: int, height: int, title: str) -> tuple[Picture, ImageDraw.ImageDraw]:
    """An empty sheet with its frame and title."""
    picture = Image.new("RGB", (width, height), LIGHT["sheet"])
    draw = ImageDraw.Draw(picture)
    draw.rectangle((8, 8, width - 9, height - 9), outline=LIGHT["ink"], width=2)
    draw.text((22, 16), title, font=font(22, 600), fill=LIGHT["ink"])
    draw.line((8, 50, width - 9, 50), fill=LIGHT["rule"])
    return picture, draw


def scale_bar(draw: ImageDraw.ImageDraw, x: int, y: int, px_per_mm: float, length_mm: int = 5) -> None:
    """A bar of a stated length."""
    end = x + length_mm * px_per_mm
    draw.line((x, y, end, y), fill=LIGHT["ink"], width=2)
    for at in (x, end):
        draw.line((at, y - 5, at, y + 5), fill=LIGHT["ink"], width=2)
    draw.text((end + 8, y - 9), f"{length_mm} mm", font=font(14), fill=LIGHT["ink2"])


def dentition(codes: Sequence[int], name: str, title: str) -> None:
    """Eight teeth, five sides each."""
    px, column, rows = 11.0, 172, [310, 310, 310, 310, 160]
    picture, draw = new_sheet(124 + column * len(codes), 112 + sum(rows), title)
    for j, code in enumerate(codes):
        made = tooth(code, cache_dir=CACHE)
        draw.text((110 + j * column + column // 2, 62), f"{code}", font=font(18, 600), fill=LIGHT["ink"], anchor="mt")
        top = 84
        for side, height in zip(SIDES, rows, strict=True):
            if j == 0:
                draw.text((22, top + height // 2), side, font=font(16), fill=LIGHT["ink2"], anchor="lm")
            view = shaded([(made.outer, 1.0)], *SIDES[side], px_per_mm=px, size=(column - 4, height - 4))
            picture.paste(view, (110 + j * column, top))
            top += height
    scale_bar(draw, 22, picture.height - 28, px)
    picture.save(HERE / f"{name}.png", optimize=True)


def section(
    made: Tooth, across: FloatArray, *, px_per_mm: float, size: tuple[int, int], origin: FloatArray | None = None
) -> Picture:
    """A cut with its layers hatched: enamel −45° close, dentine 45° wide, caries dotted, pulp blank and dashed."""
    k = FINER
    width, height = size[0] * k, size[1] * k
    picture = Image.new("RGB", (width, height), LIGHT["sheet"])
    draw = ImageDraw.Draw(picture)
    scale, at = px_per_mm * k, np.array([width / 2, 0.37 * height])
    for line in range(-30, 31):
        for a, b in (
            ((at[0] + line * scale, 0), (at[0] + line * scale, height)),
            ((0, at[1] + line * scale), (width, at[1] + line * scale)),
        ):
            draw.line((*a, *b), fill=LIGHT["hair"], width=1)
    plane = SectionPlane("cut", np.zeros(3) if origin is None else origin, across, np.array([0.0, 0.0, 1.0]))
    for name in ("dentine", "enamel", "caries", "pulp"):
        if name in made.layers:
            curves = [
                at + scale * np.column_stack([c @ across, -c[:, 2]]) for c in section_curves(made.layers[name], plane)
            ]
            lay(picture, curves, name, k)
    draw = ImageDraw.Draw(picture)
    for curve in section_curves(made.outer, plane):
        flat = at + scale * np.column_stack([curve @ across, -curve[:, 2]])
        draw.line(
            [tuple(p) for p in np.vstack([flat, flat[:1]])], fill=LIGHT["ink"], width=round(1.6 * k), joint="curve"
        )
    return picture.resize(size, Image.Resampling.LANCZOS)


def lay(picture: Picture, curves: Sequence[FloatArray], name: str, k: int) -> None:
    """One layer of a section: an even-odd mask of its curves, its hatch, its outline."""
    mask = np.zeros((picture.height, picture.width), dtype=bool)
    for curve in curves:
        one = Image.new("1", picture.size)
        ImageDraw.Draw(one).polygon([tuple(p) for p in curve], fill=1)
        mask ^= np.asarray(one)
    y, x = np.mgrid[: picture.height, : picture.width]
    lines = {
        "enamel": (x - y) % round(4.2 * k) < 0.8 * k,
        "dentine": (x + y) % (9 * k) < 0.8 * k,
        "caries": ((x % (4 * k)) < 1.8 * k) & ((y % (4 * k)) < 1.8 * k),
        "pulp": np.zeros_like(mask),
    }[name]
    ground = {"enamel": LIGHT["sheet"], "dentine": LIGHT["well"], "caries": LIGHT["pick"], "pulp": LIGHT["sheet"]}[name]
    picture.paste(ground, mask=Image.fromarray(mask))
    picture.paste(LIGHT["ink3" if name == "caries" else "rule"], mask=Image.fromarray(mask & lines))
    draw = ImageDraw.Draw(picture)
    for curve in curves:
        points = [tuple(p) for p in np.vstack([curve, curve[:1]])]
        if name != "pulp":
            draw.line(points, fill=LIGHT["ink2"], width=k, joint="curve")
            continue
        length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(np.array(points), axis=0), axis=1))])
        for a, b, run in zip(points[:-1], points[1:], length[:-1], strict=True):
            if run % (6.5 * k) < 4 * k:
                draw.line((*a, *b), fill=LIGHT["ink"], width=k)


def sections(codes: Sequence[int], name: str, title: str) -> None:
    """Eight teeth cut buccolingually and mesiodistally."""
    px, column, height = 10.5, 172, 326
    picture, draw = new_sheet(124 + column * len(codes), 124 + 2 * height, title)
    for j, code in enumerate(codes):
        made = tooth(code, cache_dir=CACHE)
        draw.text((110 + j * column + column // 2, 62), f"{code}", font=font(18, 600), fill=LIGHT["ink"], anchor="mt")
        for row, (across, said) in enumerate(
            (((0.0, 1.0, 0.0), "lingual · facial"), ((1.0, 0.0, 0.0), "distal · mesial"))
        ):
            if j == 0:
                draw.text((20, 84 + row * height + height // 2), said, font=font(14), fill=LIGHT["ink2"], anchor="lm")
            through = cut_through(made, row)
            view = section(made, np.array(across), px_per_mm=px, size=(column - 4, height - 4), origin=through)
            picture.paste(view, (110 + j * column, 84 + row * height))
    scale_bar(draw, 22, picture.height - 24, px)
    picture.save(HERE / f"{name}.png", optimize=True)


def cut_through(made: Tooth, row: int) -> FloatArray:
    """Where a section shows most: through the lingual or mesial root of a molar, else through the axis."""
    apices = [s.point_mm for s in made.sites.values() if s.role == "apex"]
    if row == 0 and len(apices) > 1 and made.fdi % 10 > 5:
        if "lingual" in made.orifices:
            return np.array([made.orifices["lingual"][0], 0.0, 0.0])
        return np.array([max(at[0] for at in made.orifices.values()), 0.0, 0.0])
    if row == 1 and made.fdi < 30 and len(apices) == 3:
        return np.array([0.0, np.mean([a[1] for a in apices if a[1] > 0]) * 0.6, 0.0])
    return np.zeros(3)


def arches() -> None:
    """Both arches with gingiva from two sides, and on a model base."""
    picture, draw = new_sheet(1500, 830, "Arches with gingiva, and on a plain model base")
    for row, jaw in enumerate(("upper", "lower")):
        teeth = arch(jaw, missing=[36] if jaw == "lower" else [])
        gum = gingiva(teeth.teeth, teeth.contacts, empty=teeth.empty, edge_mm=0.25)
        items = [(p.surface(edge_mm=0.15), TINTS["tooth"]) for p in teeth.teeth] + [(gum, TINTS["gingiva"])]
        base = [*items, (typodont_base(teeth), TINTS["base"])]
        for col, (what, eye, up) in enumerate(
            ((items, (0, -0.35, 1), (0, 1, 0)), (base, (0.55, 1, 0.45), (0, 0, 1)), (base, (0, 1, 0.1), (0, 0, 1)))
        ):
            view = shaded(what, eye, up, px_per_mm=6.6, size=(486, 350))
            picture.paste(view, (16 + col * 492, 66 + row * 370))
        said = "upper" if jaw == "upper" else "lower, 36 missing"
        draw.text((24, 70 + row * 370), said, font=font(16), fill=LIGHT["ink2"])
    scale_bar(draw, 24, 806, 6.6, 10)
    picture.save(HERE / "arches.png", optimize=True)


def jaws() -> None:
    """Bone with its sockets, and slices of a simulated CT."""
    picture, draw = new_sheet(1500, 800, "Bone with sockets, mental foramen and sinus; slices of a simulated CT")
    for row, jaw in enumerate(("upper", "lower")):
        teeth = arch(jaw)
        bone = jaw_bone(teeth, spacing_mm=0.3)
        crowns = [(p.surface(edge_mm=0.2), TINTS["tooth"]) for p in teeth.teeth]
        view = shaded(
            [*crowns, (bone.parts["cortical"], TINTS["bone"])],
            (0.75, 0.9, 0.55),
            (0, 0, 1),
            px_per_mm=5.6,
            size=(560, 355),
        )
        picture.paste(view, (16, 60 + row * 365))
        for col, cut in enumerate(slices(teeth, bone)):
            cut.thumbnail((430, 330))
            picture.paste(cut, (596 + col * 446, 70 + row * 365))
        draw.text((24, 62 + row * 365), jaw, font=font(16), fill=LIGHT["ink2"])
    picture.save(HERE / "jaws.png", optimize=True)


def slices(teeth: Arch, bone: object) -> list[Picture]:
    """Two slices of the CT: along the molars of one side, across both sides."""
    ct, frame = simulated_ct(teeth, bone, rng=np.random.default_rng(7), spacing_mm=0.3, cache_dir=CACHE)  # type: ignore[arg-type]
    molar = next(p for p in teeth.teeth if p.fdi in (26, 46))
    i, j = (round((molar.matrix[k, 3] + (0.0, -2.0)[k] - frame.origin_mm[k]) / frame.spacing_mm) for k in (0, 1))
    return [
        Image.fromarray(window(cut)).convert("RGB").resize((cut.shape[0] * 2, cut.shape[1] * 2))
        for cut in (ct[i], ct[:, j])
    ]


def window(cut: np.ndarray) -> np.ndarray:
    """Greys of a slice, occlusal up: −1000 black, 3000 white."""
    return np.clip((cut.T[::-1].astype(float) + 1000) / 4000 * 255, 0, 255).astype(np.uint8)


def lesions() -> None:
    """Three lesions in a lower first molar, in section."""
    picture, draw = new_sheet(1080, 520, "Lesions in a lower left first molar (36), in section")
    made = tooth(36, cache_dir=CACHE)
    shown = (
        (Lesion("fissure", "central fossa", width_mm=1.8, depth_mm=1.2), (0.0, 1.0, 0.0), "central fossa"),
        (Lesion("proximal", "mesial", width_mm=2.2, depth_mm=1.2, spread_mm=0.7), (1.0, 0.0, 0.0), "mesial contact"),
        (Lesion("cervical", "facial", width_mm=3.0, depth_mm=1.3), (0.0, 1.0, 0.0), "facial neck"),
    )
    for col, (lesion, across, place) in enumerate(shown):
        carious = with_lesion(made, lesion)
        middle = carious.layers["caries"].vertices_mm.mean(axis=0) * (np.array([1.0, 1.0, 0.0]) - np.array(across))
        view = section(carious, np.array(across), px_per_mm=21.0, size=(340, 400), origin=middle)
        picture.paste(view, (20 + col * 350, 66))
        said = f"{lesion.kind}, {place}: {lesion.width_mm:g} mm wide, {lesion.depth_mm:g} mm deep"
        draw.text((20 + col * 350, 476), said, font=font(16), fill=LIGHT["ink2"])
    picture.save(HERE / "lesions.png", optimize=True)


PAGE = """# Gallery

Teeth, arches and jaws made from numbers: nothing here was scanned, and no person's mouth is in it. Every picture is drawn by
`docs/gallery/make.py` with the project's own renderer. How close the forms and layers come to published values stands in
[teeth](../teeth-truth.md) and [layers](../anatomy.md). For exercises only; nothing here is for use on patients.

## The upper teeth from five sides

![Upper teeth 11 to 18, from facial, mesial, lingual, distal and occlusal](upper.png)

## The lower teeth from five sides

![Lower teeth 31 to 38, from facial, mesial, lingual, distal and occlusal](lower.png)

## Sections

Enamel is hatched closely, dentine widely; the pulp is blank and dashed. In the upper row molars are cut through their lingual root (upper)
or mesial root (lower), in the lower row along the tooth. The grid is 1 mm.

![Sections of the upper teeth](upper-sections.png)

![Sections of the lower teeth](lower-sections.png)

## Arches

![Arches with gingiva from occlusal, on a model base, and from the front](arches.png)

## Jaws

Greys of the CT are simulated: Hounsfield-like values by tissue, blurred and noisy.

![Bone with sockets and slices of a simulated CT](jaws.png)

## Lesions

![A fissure, a proximal and a cervical lesion in section](lesions.png)

The teeth shown: {names}.
"""


def main() -> None:
    """Draw everything."""
    dentition(TYPES[0], "upper", "Upper teeth 11 to 18, from five sides")
    dentition(TYPES[1], "lower", "Lower teeth 31 to 38, from five sides")
    sections(TYPES[0], "upper-sections", "Upper teeth in section")
    sections(TYPES[1], "lower-sections", "Lower teeth in section")
    lesions()
    arches()
    jaws()
    names = ", ".join(f"{code} {tooth_name(code)}" for codes in TYPES for code in codes)
    (HERE / "index.md").write_text(PAGE.format(names=names), encoding="utf-8")


if __name__ == "__main__":
    main()
