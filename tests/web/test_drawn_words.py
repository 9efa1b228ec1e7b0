"""Drawings speak the reader's language, although they were drawn before anybody knew who reads them."""

import re

import pytest

from kerfmark.reports.sections.planes import _ADVERBS, _WAYS
from kerfmark.web.drawn_words import _PATTERNS, in_words
from kerfmark.web.words import LANGUAGES, words_in

DRAWN = (
    '<svg role="img" aria-label="Section BL, lingual on the left, buccal on the right, grid 1 mm"><text x="1">lingual</text>'
    "<text>looking mesially</text><text>1.27</text><tspan>buccal</tspan></svg><p>lingual</p>"
)


def test_text_and_what_is_read_aloud_are_said_in_german_and_nothing_else_is_touched():
    found = in_words(DRAWN, words_in("de"))
    assert 'aria-label="Schnitt BL, lingual links, bukkal rechts, Raster 1 mm"' in found
    assert "<text>Blick nach mesial</text>" in found
    assert "<tspan>bukkal</tspan>" in found
    assert found.endswith("<text>1.27</text><tspan>bukkal</tspan></svg><p>lingual</p>")


def test_english_is_left_as_it_was_drawn():
    assert in_words(DRAWN, words_in("en")) is DRAWN


def test_what_is_put_in_stays_escaped():
    drawn = '<svg aria-label="limits &lt;b&gt; to 1.2."><text>&lt;b&gt;</text></svg>'
    found = in_words(drawn, words_in("de"))
    assert found == '<svg aria-label="Grenzen &lt;b&gt; bis 1.2."><text>&lt;b&gt;</text></svg>'


@pytest.mark.parametrize("language", [language for language in LANGUAGES if language != "en"])
def test_every_side_and_direction_of_a_section_has_its_words(language):
    said = words_in(language).translations
    phrases = [*_WAYS, *(f"looking {adverb}" for adverb in _ADVERBS.values()), *(phrase for _, phrase in _PATTERNS)]
    assert [phrase for phrase in phrases if said._catalog.get(phrase) is None] == []


def test_a_page_in_german_shows_its_drawings_in_german(school, visit):
    piece = school.measured(school.sitting(), "l1", ["out", "on"])
    school.judge(piece)
    browser = visit("l1")
    browser.post("/look", {"language": "de"})
    page = browser.get(f"/pieces/{piece}/reveal").text
    labels = re.findall(r'<svg[^>]*aria-label="([^"]*)"', page)
    assert any("Eigene Sicht: innen, sicher." in label for label in labels)
    assert not any("Own view" in label or "limits" in label for label in labels)
