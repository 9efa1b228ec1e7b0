import xml.etree.ElementTree as ET

import numpy as np
import pytest

from kerfmark.reports.contents import contents_of
from kerfmark.reports.finish_line import developed_svg, developed_widths


def test_the_developed_widths_run_once_round_the_tooth(piece_report):
    # 19 sections a wall, every 5° from −45° to +45°, four walls.
    widths = developed_widths(contents_of(piece_report[0], piece_report[2]), mesial_sign=-1)
    assert len(widths) == 76
    assert widths[0, 0] <= 225.0 + 1e-9
    assert widths[-1, 0] >= -135.0 - 1e-9
    assert np.all(np.diff(widths[:, 0]) <= 1e-9)


def test_the_developed_width_of_a_section_is_its_own(piece_report):
    # The fixture's ripple: value + 0.07 sin 3φ + 0.03 sin 11φ; at the buccal middle (φ = 0) it is the value itself.
    contents = contents_of(piece_report[0], piece_report[2])
    widths = developed_widths(contents, mesial_sign=-1)
    buccal = next(
        c.reading.value for c in contents.lines if c.reading.key == ("crown.finish_line_width_mm", "buccal", "median")
    )
    assert widths[np.argmin(np.abs(widths[:, 0])), 1] == pytest.approx(buccal, abs=1e-9)


def test_the_drawing_is_well_formed_and_names_every_wall(piece_report):
    svg = developed_svg(contents_of(piece_report[0], piece_report[2]), mesial_sign=-1)
    ET.fromstring(svg)
    for wall in ("lingual", "mesial", "buccal", "distal"):
        assert f">{wall}<" in svg


def test_without_sections_nothing_is_drawn(piece_report):
    from dataclasses import replace

    assessment = replace(piece_report[0], readings=())
    assert developed_svg(contents_of(assessment, piece_report[2]), mesial_sign=1) == ""
