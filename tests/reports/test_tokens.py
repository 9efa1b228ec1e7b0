"""Colours: pinned hexes, contrast, even steps, distances under colour blindness."""

from itertools import pairwise

import numpy as np
import pytest

from kerfmark.reports import tokens
from kerfmark.reports.tokens import DARK, LIGHT, css_variables, font_faces, painted

STEPS = ("1", "2", "3", "4")
# Source: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, IEEE TVCG 15 (2009), full strength, linear RGB (from memory).
SIGHT = {
    "normal": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def linear(hex_colour):
    # Source: IEC 61966-2-1 (sRGB).
    value = np.array([int(hex_colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def contrast(one, two):
    # Source: WCAG 2.2, relative luminance and contrast ratio.
    low, high = sorted(float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (one, two))
    return (high + 0.05) / (low + 0.05)


def oklab(rgb):
    # Source: B. Ottosson, "A perceptual color space for image processing" (2020).
    to_lms = [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
    to_lab = [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
    return np.array(to_lab) @ np.cbrt(np.clip(np.array(to_lms) @ rgb, 0, None))


def distance(one, two, sight):
    seen = [oklab(np.clip(np.array(SIGHT[sight]) @ linear(c), 0, 1)) for c in (one, two)]
    return 100 * float(np.linalg.norm(seen[0] - seen[1]))


def test_the_colours_are_those_of_the_look():
    # Source: docs/look.md, the table of tokens.
    assert LIGHT["film"] == "#E6EBE9"
    assert LIGHT["ink"] == "#17201E"
    assert [LIGHT["l" + n] for n in STEPS] == ["#9BCAF2", "#61A4E2", "#327AC4", "#1B5296"]
    assert [LIGHT["o" + n] for n in STEPS] == ["#EDB88B", "#D8894A", "#B25D23", "#803D18"]
    assert [DARK["l" + n] for n in STEPS] == ["#46729E", "#4F8DCC", "#6AAEEC", "#9CCDF8"]
    assert [DARK["o" + n] for n in STEPS] == ["#985F3B", "#C0733C", "#E29352", "#F3BA85"]
    assert set(LIGHT) == set(DARK) == set(tokens.PAPER)


@pytest.mark.parametrize(
    ("theme", "token", "on_sheet", "on_film"),
    [
        ("LIGHT", "edge", 3.8, 3.3), ("LIGHT", "ink", 15.9, 13.8), ("LIGHT", "ink2", 8.5, 7.4), ("LIGHT", "ink3", 5.7, 5.0),
        ("LIGHT", "left", 6.6, 5.7), ("LIGHT", "over", 6.8, 5.9), ("DARK", "edge", 5.0, 5.5), ("DARK", "ink", 14.7, 15.9),
        ("DARK", "ink2", 9.8, 10.6), ("DARK", "ink3", 6.8, 7.4), ("DARK", "left", 9.1, 9.9), ("DARK", "over", 8.7, 9.5),
    ],
)  # fmt: skip
def test_contrast_is_what_the_look_states(theme, token, on_sheet, on_film):
    # Source: docs/look.md; stated to one decimal.
    colours = getattr(tokens, theme)
    assert contrast(colours[token], colours["sheet"]) == pytest.approx(on_sheet, abs=0.06)
    assert contrast(colours[token], colours["film"]) == pytest.approx(on_film, abs=0.06)


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_text_can_be_read_on_every_ground(theme):
    # Source: WCAG 2.2 criterion 1.4.3, 4.5 : 1 for text; 1.4.11, 3 : 1 for the edges of controls.
    for ground in ("sheet", "film", "well", "pick"):
        assert min(contrast(theme[ink], theme[ground]) for ink in ("ink", "ink2", "ink3", "left", "over")) >= 4.5
    assert contrast(theme["edge"], theme["sheet"]) >= 3.0


@pytest.mark.parametrize(("theme", "lightness"), [(LIGHT, (0.82, 0.70, 0.57, 0.44)), (DARK, (0.54, 0.63, 0.73, 0.83))])
def test_blue_and_orange_of_one_step_are_equally_light(theme, lightness):
    # Source: docs/look.md. Hexes of 8 bits and the stated two decimals leave 0.012.
    for step, expected in zip(STEPS, lightness, strict=True):
        for side in "lo":
            assert oklab(linear(theme[side + step]))[0] == pytest.approx(expected, abs=0.012)


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_sides_and_steps_stay_apart_whatever_the_sight(theme, sight):
    # Source: docs/look.md: 14 between the sides of one step, 8 between neighbouring steps of one side (100 × OKLab).
    assert min(distance(theme["l" + n], theme["o" + n], sight) for n in STEPS) >= 14.0
    for side in "lo":
        ladder = [theme[side + n] for n in STEPS]
        assert min(distance(a, b, sight) for a, b in pairwise(ladder)) >= 8.0


def test_a_drawing_takes_on_variables_or_paper_colours():
    drawing = '<path stroke="@ink" fill="@l2"/><text>a&#64;ink.example, x@nowhere</text>'
    assert painted(drawing, for_page=True).startswith('<path stroke="var(--ink)" fill="var(--l2)"/>')
    assert painted(drawing, for_page=False).startswith('<path stroke="#17201E" fill="#61A4E2"/>')
    assert painted(drawing, for_page=True).endswith("<text>a&#64;ink.example, x@nowhere</text>")


def test_style_needs_nothing_from_outside():
    assert "--ink:#17201E;" in css_variables(LIGHT)
    assert font_faces().count("@font-face") == 5
    assert "http" not in font_faces()


@pytest.mark.parametrize(
    "name",
    ["barlow-400", "barlow-600", "barlow-semi-condensed-400", "barlow-semi-condensed-500", "barlow-semi-condensed-600"],
)
def test_the_typefaces_have_every_sign_the_reports_use(name):
    fonttools = pytest.importorskip("fontTools.ttLib", reason="fontTools is not installed")
    from importlib.resources import files

    font = fonttools.TTFont(files("kerfmark.reports") / "fonts" / f"{name}.ttf")
    assert set("≤≥Øµ−±°×–²³“”’… …") <= set(map(chr, font.getBestCmap()))
    assert "tnum" in {record.FeatureTag for record in font["GSUB"].table.FeatureList.FeatureRecord}
