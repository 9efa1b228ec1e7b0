"""Which language a page comes in."""

import pytest

from kerfmark.web.words import chosen_language, words_in


@pytest.mark.parametrize(
    ("accepted", "language"),
    [
        ("de", "de"),
        ("fr-CH, de;q=0.9, en;q=0.8", "de"),
        ("en-GB,de;q=0.3", "en"),
        ("de;q=0, en", "en"),
        ("fr", "en"),
        ("", "en"),
        (";;;q=x,de", "de"),
        ("de;q=9.9.9", "en"),
    ],
)
def test_the_browser_s_first_known_language_is_taken(accepted, language):
    # Source: RFC 9110, 12.5.4: weights from 0 (not wanted) to 1 (when left out).
    assert chosen_language(None, accepted) == language


def test_a_language_that_was_set_comes_before_the_browser_s():
    assert chosen_language("en", "de") == "en"
    assert chosen_language("xx", "de") == "de"


def test_english_is_itself():
    assert words_in("en")("met") == "met"
    assert words_in("xx").language == "en"
