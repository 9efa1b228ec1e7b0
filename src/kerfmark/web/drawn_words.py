"""Words within drawings in the reader's language: whatever drew them, on their way to the page (decision 13).

Drawings of a piece are made once, when it is measured, and kept; who reads them later may read another language.
"""

from __future__ import annotations

import re
from html import escape, unescape
from typing import Final

from kerfmark.web.words import Words

__all__ = ["in_words"]

_TEXT: Final = re.compile(r"(<(text|tspan|title)\b[^>]*>)([^<>]+)(?=</\2>)")
_LABEL: Final = re.compile(r"(<svg\b[^>]*\baria-label=\")([^\"]+)")
_BETWEEN: Final = re.compile(r"(\. |, |; |: )")
_PATTERNS: Final = (
    (re.compile(r"looking along (?P<axis>.+)"), "looking along {axis}"),
    (re.compile(r"Section (?P<name>.+)"), "Section {name}"),
    (re.compile(r"(?P<side>.+) on the left"), "{side} on the left"),
    (re.compile(r"(?P<side>.+) on the right"), "{side} on the right"),
    (re.compile(r"grid (?P<n>[\d.]+) mm"), "grid {n} mm"),
    (re.compile(r"limits (?P<low>.+) to (?P<high>.+)"), "limits {low} to {high}"),
)
"""Phrases with something put in, as drawings say them, and as the catalogues hold them."""


def in_words(drawing: str, words: Words) -> str:
    """A drawing, or a page of them, with its words in a language; what no catalogue holds stays as it is.

    Examples
    --------
    >>> from kerfmark.web.words import words_in
    >>> in_words("<text>buccal</text><p>buccal</p>", words_in("de"))
    '<text>bukkal</text><p>buccal</p>'
    """
    if words.language == "en":
        return drawing
    drawing = _TEXT.sub(lambda found: found[1] + _escaped([found[3]], words), drawing)
    return _LABEL.sub(lambda found: found[1] + _escaped(_BETWEEN.split(unescape(found[2])), words), drawing)


def _escaped(parts: list[str], words: Words) -> str:
    return escape("".join(_said(unescape(part), words) for part in parts), quote=True)


def _said(text: str, words: Words) -> str:
    """One phrase; a full stop at its end, and blanks around it, stay."""
    bare = text.strip().removesuffix(".")
    found = words(bare)
    if found == bare:
        found = next(
            (_put_in(match, phrase, words) for made, phrase in _PATTERNS if (match := made.fullmatch(bare))), bare
        )
    return text.replace(bare, found) if bare and found != bare else text


def _put_in(match: re.Match[str], phrase: str, words: Words) -> str:
    return words(phrase).format(**{name: words(value) for name, value in match.groupdict().items()})
