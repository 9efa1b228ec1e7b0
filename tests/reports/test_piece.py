"""The page of one piece: complete, self-contained, the same twice, and readable without a script."""

import re
from html.parser import HTMLParser

import pytest

from kerfmark.reports.contents import CAUTION, contents_of
from kerfmark.reports.drawn import piece_scene
from kerfmark.reports.piece import page_of, write_html

LABELS = {"piece": "P-0417", "learner": "L-012", "source": "simulated scan", "school": "An invented school"}
VOID = {"meta", "input", "br", "link", "img"}


class Outline(HTMLParser):
    """Elements and their attributes; complains of an element that is not closed in turn."""

    def __init__(self):
        super().__init__()
        self.open, self.seen, self.text = [], [], []

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


@pytest.fixture(scope="module")
def page(piece_report):
    assessment, prepared, loaded = piece_report
    text = page_of(piece_scene(assessment, prepared, loaded, labels=LABELS))
    outline = Outline()
    outline.feed(text)
    return text, outline, contents_of(assessment, loaded, labels=LABELS)


def test_the_page_is_well_formed(page):
    assert page[1].open == []


def test_nothing_is_fetched_from_outside(page):
    addresses = [
        v
        for _, attrs in page[1].seen
        for k, v in attrs.items()
        if k in ("src", "href", "xlink:href", "action", "srcset")
    ]
    assert all(address.startswith("data:") for address in addresses)
    left = re.sub(r"http://www\.w3\.org/2000/svg", "", page[0])
    assert not re.search(r"https?:|url\((?!#|data:)|@import|fetch\(|XMLHttp", left)


def test_every_criterion_stands_in_the_list_with_its_balloon(page):
    _, outline, contents = page
    inputs = {attrs["id"]: attrs for tag, attrs in outline.seen if tag == "input" and attrs.get("name") == "c"}
    assert set(inputs) == {f"c-{line.number}" for line in contents.lines}
    for line in contents.lines:
        assert inputs[f"c-{line.number}"]["aria-label"] == line.aloud


def test_exactly_one_criterion_view_and_plane_is_chosen_at_first(page):
    checked = [attrs["name"] for tag, attrs in page[1].seen if tag == "input" and "checked" in attrs]
    assert sorted(checked) == ["c", "m", "s", "v"]


def test_the_first_not_met_is_chosen_and_its_section_shown(page):
    _, outline, contents = page
    checked = {attrs["name"]: attrs["id"] for tag, attrs in outline.seen if tag == "input" and "checked" in attrs}
    first = next(line for line in contents.lines if line.state == "notmet")
    assert checked["c"] == f"c-{first.number}"
    figure = next(attrs for tag, attrs in outline.seen if attrs.get("data-s") == checked["s"][2:])
    assert str(first.number) in figure["data-numbers"].split()


def test_no_identifier_stands_twice(page):
    identifiers = re.findall(r'\bid="([^"]+)"', page[0])
    assert len(identifiers) == len(set(identifiers))


def test_every_reference_inside_a_drawing_exists(page):
    identifiers = set(re.findall(r'\bid="([^"]+)"', page[0]))
    assert set(re.findall(r"url\(#([^)]+)\)", page[0])) <= identifiers


def test_no_number_is_missing_or_endless(page):
    words = " ".join(page[1].text)
    assert not re.search(r"\b(nan|inf|None)\b", words)
    assert not re.search(r'="[^"]*\b(nan|inf|None)\b', re.sub(r"base64,[^\"')]*", "", page[0]))


def test_cautions_and_what_is_simulated_are_said(page):
    assert CAUTION in page[0]
    assert '<span class="tag">simulated</span>' in page[0]


def test_a_percentage_never_stands_without_its_n(page):
    shown = re.sub(r"<style>.*?</style>|<script>.*?</script>|<[^>]+>", " ", page[0], flags=re.DOTALL)
    assert re.findall(r"[^(]{12}\d+ ?%", shown.replace("95 %", "")) == []


def test_every_drawing_speaks_or_is_silent_by_intent(page):
    for tag, attrs in page[1].seen:
        if tag == "svg" and "overflow" not in attrs:
            assert attrs.get("aria-hidden") == "true" or attrs.get("aria-label")


def test_the_plain_table_holds_every_reading(page):
    plain = page[0][page[0].index('<details class="plain">') :]
    for line in page[2].lines:
        assert line.full_name in plain
        assert line.value_text in plain


def test_text_from_outside_cannot_become_markup(piece_report):
    assessment, prepared, loaded = piece_report
    text = page_of(
        piece_scene(assessment, prepared, loaded, labels={"piece": "<script>alert(1)</script>", "learner": "a & b"})
    )
    assert "<script>alert" not in text
    assert "a &amp; b" in text


def test_the_same_piece_gives_the_same_bytes(piece_report, tmp_path):
    for name in ("one", "two"):
        write_html(tmp_path / name, *piece_report, labels=LABELS)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()


def test_a_page_is_small_enough_to_send(page):
    # Common practice: mail servers take 10 MB; two dozen pages should still go in one message of 25 MB.
    assert len(page[0].encode()) < 1_600_000


def test_a_piece_without_a_target_has_no_map(piece_report):
    from types import SimpleNamespace

    assessment, prepared, loaded = piece_report
    bare = SimpleNamespace(**{**vars(prepared), "target_grid": None})
    text = page_of(piece_scene(assessment, bare, loaded))
    assert 'class="map"' not in text
    assert "corridor ±" not in text
