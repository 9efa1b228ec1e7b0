"""What every drawing is made of."""

import re

import pytest

from kerfmark.reports.canvas import scale_bar


@pytest.mark.parametrize(("px_per_mm", "length"), [(5.93, 10.0), (3.0, 20.0), (13.0, 5.0), (60.0, 1.0)])
def test_a_scale_bar_is_as_long_as_it_says(px_per_mm, length):
    # Source: its own words times the scale; the longest of 1, 2, 5, 10, 20 mm within 80 px.
    bar = scale_bar(200.0, 50.0, px_per_mm)
    assert f">{length:g} mm<" in bar
    begin, end = map(float, re.search(r'<path d="M([\d.]+) 50 ([\d.]+) 50', bar).groups())
    assert end - begin == pytest.approx(length * px_per_mm, abs=0.11)
