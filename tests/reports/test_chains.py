import xml.etree.ElementTree as ET

from kerfmark.reports.chains import Chain, Part, chains_svg, gap_of

CLOSED = [
    Chain(48, (Part(48, "seated"),)),
    Chain(48, (Part(31, "received"), Part(17, "cutting"))),
    Chain(31, (Part(28, "measured"), Part(3, "set aside"))),
]


def test_chains_that_add_up_have_no_gap():
    assert gap_of(CLOSED) == 0


def test_a_gap_is_counted_drawn_and_named():
    open_chain = [*CLOSED[:2], Chain(31, (Part(28, "measured"), Part(1, "set aside")))]
    assert gap_of(open_chain) == 2
    assert "2 not accounted for" in chains_svg(open_chain, width=600.0)


def test_parts_are_drawn_to_one_scale():
    # 31 of 48 on 596 px from x = 2: the tick stands at 2 + 31 × 596 / 48.
    assert f'x1="{2 + 31 * 596 / 48:.2f}"' in chains_svg(CLOSED, width=600.0)


def test_the_drawing_is_well_formed():
    ET.fromstring(chains_svg(CLOSED, width=600.0))
