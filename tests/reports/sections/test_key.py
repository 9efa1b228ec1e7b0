"""The key to the hatching of a section's tissues, and decay as it is drawn."""

import re
import xml.etree.ElementTree as ET
from types import SimpleNamespace

import numpy as np

from kerfmark.reports.sections.dimensions import Frame2
from kerfmark.reports.sections.drawing import _cut
from kerfmark.reports.sections.key import key_of, key_svg
from kerfmark.reports.sections.outlines import Outlines

SQUARE = np.array([[-2.0, 0.0], [-2.0, 4.0], [2.0, 4.0], [2.0, 0.0], [-2.0, 0.0]])


def words(drawing):
    return [node.text for node in ET.fromstring(drawing).iter("{http://www.w3.org/2000/svg}text")]


def test_the_key_names_the_layers_that_are_drawn_and_no_others():
    assert words(key_svg(("enamel", "dentine", "pulp"), width=600.0)) == ["enamel", "dentine", "pulp"]
    assert words(key_svg(("enamel", "caries"), width=600.0)) == ["enamel", "decay left", "lesion before cutting"]
    assert key_svg((), width=600.0) == ""
    assert key_of(SimpleNamespace(layers={"cortical": None}), width=600.0) == ""
    assert words(key_svg((), width=600.0, open_ends=True)) == ["not scanned"]


def test_a_narrow_key_runs_over_several_rows_and_stays_within_its_width():
    wide, narrow = (ET.fromstring(key_svg(("enamel", "dentine", "pulp", "caries"), width=w)) for w in (700.0, 300.0))
    assert float(narrow.get("height")) > float(wide.get("height"))
    assert float(narrow.get("width")) <= 304.0


def test_every_pattern_the_key_uses_is_in_it():
    drawing = key_svg(("enamel", "dentine", "pulp", "caries"), width=600.0)
    used = set(re.findall(r"url\(#([^)]+)\)", drawing))
    assert used == {"enamel-key", "dentine-key", "caries-key"}
    assert used <= set(re.findall(r'<pattern id="([^"]+)"', drawing))


def test_decay_is_hatched_where_it_is_left_and_the_lesion_dashed_all_round():
    lesion = np.array(
        [[-1.0, 3.0], [-1.0, 5.0], [1.0, 5.0], [1.0, 3.0], [-1.0, 3.0]]
    )  # half of it above the piece: removed
    outlines = Outlines((SQUARE,), (), {"dentine": (SQUARE,), "caries": (lesion,)}, (), (), (), 0.0)
    root = ET.fromstring(f"<svg>{_cut(Frame2(100.0, 100.0, 10.0), outlines, 'BL')}</svg>")
    hatched = [p for p in root.iter("path") if p.get("fill") == "url(#caries-BL)"]
    dashed = [p for p in root.iter("path") if p.get("stroke-dasharray") == "4 2.5"]
    assert len(hatched) == len(dashed) == 1
    assert hatched[0].get("d") == dashed[0].get("d")
    clipped = next(g for g in root.iter("g") if hatched[0] in list(g))
    assert clipped.get("clip-path").startswith("url(#piece-")
