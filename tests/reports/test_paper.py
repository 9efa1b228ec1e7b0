"""What every sheet of paper shares."""

from kerfmark.reports import tokens
from kerfmark.reports.paper import block_cell, svg_for_paper, svg_size

DRAWING = '<svg xmlns="http://www.w3.org/2000/svg" width="40" height="12.5"><g class="fitted"><path d="M0 0"/></g><text><tspan class="u chosen-only">±</tspan>1</text></svg>'


def test_a_drawing_for_paper_keeps_its_size_and_leaves_out_what_only_a_page_can_show():
    made = svg_for_paper(DRAWING)
    assert (made["width"], made["height"]) == (40.0, 12.5)
    assert "fitted" not in made["data"]
    assert "±" not in made["data"]
    assert svg_size(DRAWING) == {"width": 40.0, "height": 12.5}


def test_colours_are_those_of_paper():
    made = svg_for_paper('<svg xmlns="http://www.w3.org/2000/svg" width="4" height="4"><path stroke="@ink"/></svg>')
    assert f'stroke="{tokens.PAPER["ink"]}"' in made["data"]


def test_a_cell_of_the_title_block_has_its_share_of_the_row():
    assert block_cell("pass line", "53.2", "chosen", 1.6) == {
        "label": "pass line",
        "figure": "53.2",
        "more": "chosen",
        "share": 1.6,
    }
