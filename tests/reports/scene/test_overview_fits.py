"""The page of a sitting at the widths it is read at: nothing is cut off, and a table scrolls in its own place."""

from dataclasses import replace

import pytest

from kerfmark.records import Mark
from kerfmark.reports.overview import SittingRow, write_overview


@pytest.fixture(scope="module")
def address(piece_report, tmp_path_factory):
    assessment, _, loaded = piece_report
    faults = ("over-tapered", "under-reduced", "unsteady margin", "mesial neighbour nicked", "distal neighbour nicked")
    rows = [
        SittingRow(
            f"P-{i:02d}", "middle hand, recorded", replace(assessment, mark=mark), html="page.html", pdf="sheets.pdf",
            faults=faults, truth={},
        )
        for i, mark in enumerate((Mark(82.0, "pass"), Mark(41.0, "fail"), Mark(None, "refer")))
    ]  # fmt: skip
    path = tmp_path_factory.mktemp("sitting") / "overview.html"
    write_overview(path, rows, loaded, title="Crown practice, group B", school="An invented school")
    return path.as_uri()


@pytest.mark.parametrize("width", [1280, 1000, 390])
def test_the_page_of_a_sitting_is_no_wider_than_its_window(chromium, address, width):
    page = chromium.new_page(viewport={"width": width, "height": 800})
    page.goto(address)
    assert page.evaluate("document.documentElement.scrollWidth") == width
    if width == 1280:
        links = page.locator(".links a").last.bounding_box()
        assert links["x"] + links["width"] <= width
    page.close()
