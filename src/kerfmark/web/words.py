"""Words in the reader's language, by gettext; English stands in the code and is complete by itself."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from gettext import GNUTranslations, NullTranslations
from importlib.resources import files
from typing import Final

__all__ = ["LANGUAGES", "Words", "chosen_language", "words_in"]

LANGUAGES: Final = {"en": "English", "de": "Deutsch"}
_WEIGHED = re.compile(r"^\s*([a-zA-Z]{1,8})(?:-[a-zA-Z0-9-]*)?\s*(?:;\s*q=([0-9.]{1,5}))?\s*$")


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """One language's words."""

    language: str
    translations: NullTranslations

    def __call__(self, english: str) -> str:
        """The words for these English ones; themselves where there are none. Nothing stays nothing."""
        return self.translations.gettext(english) if english else english

    def count(self, one: str, many: str, n: int) -> str:
        """The words for a number of things, with the number put in for `%(n)d`."""
        return self.translations.ngettext(one, many, n) % {"n": n}


@cache
def words_in(language: str) -> Words:
    """The words of one of `LANGUAGES`; English for any other."""
    if language == "en" or language not in LANGUAGES:
        return Words("en", NullTranslations())
    catalogue = files("kerfmark.web") / "locale" / language / "LC_MESSAGES" / "kerfmark.mo"
    with catalogue.open("rb") as stream:
        return Words(language, GNUTranslations(stream))


def chosen_language(asked: str | None, accepted: str) -> str:
    """The language a person set, else the first of the browser's that is there, else English.

    Parameters
    ----------
    asked : str or None
    accepted : str
        The browser's `Accept-Language` (RFC 9110, 12.5.4).

    Examples
    --------
    >>> chosen_language(None, "fr-CH, de;q=0.9, en;q=0.8"), chosen_language("en", "de"), chosen_language(None, "")
    ('de', 'en', 'en')
    """
    if asked in LANGUAGES:
        return str(asked)
    return next((name for name in _by_weight(accepted[:400].split(",")) if name in LANGUAGES), "en")


def _by_weight(parts: Iterable[str]) -> list[str]:
    weighed: list[tuple[float, int, str]] = []
    for part in parts:
        if (found := _WEIGHED.match(part)) is not None:
            try:
                weighed.append((-float(found[2] or 1.0), len(weighed), found[1].lower()))
            except ValueError:
                continue
    return [name for weight, _, name in sorted(weighed) if weight < 0.0]
