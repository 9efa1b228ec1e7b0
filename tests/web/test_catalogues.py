"""Every language but English has words for every sentence of the pages; what is packed is what is written."""

import io
import re
from importlib.resources import files
from pathlib import Path

import jinja2
import pytest
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

import kerfmark.reports
import kerfmark.web
from kerfmark.exercise.vocabulary import VOCABULARY
from kerfmark.reports import wording
from kerfmark.sittings.rights import ROLES
from kerfmark.web.pages import decide, evidence, passline, rigs
from kerfmark.web.pages.account import KEYS
from kerfmark.web.pages.piece import DONE, OUTCOMES
from kerfmark.web.rendering import NAVIGATION
from kerfmark.web.words import LANGUAGES, words_in

OTHERS = [language for language in LANGUAGES if language != "en"]
WEB = Path(kerfmark.web.__file__).parent
SHARED = Path(kerfmark.reports.__file__).parent / "templates" / "criteria_of_piece.html"
PLACEHOLDER = re.compile(r"%\(\w+\)[sd]|\{\w+\}")
RULINGS = (
    "met",
    "not met",
    "too close to call",
    "not measurable",
    "inside",
    "outside",
    "cannot tell",
    "guess",
    "fairly sure",
    "sure",
)
STATES = (
    "received",
    "set aside",
    "waits for examiner",
    "waits for second examiner",
    "waits for moderator",
    "settled",
    "signed",
    "open",
    "closed",
    "released",
)


def catalogue(language):
    path = files("kerfmark.web") / "locale" / language / "LC_MESSAGES" / "kerfmark.po"
    return read_po(io.BytesIO(path.read_bytes()), locale=language)


def sentences():
    """What templates and handlers say."""
    environment = jinja2.Environment(extensions=["jinja2.ext.i18n"])
    for path in (*sorted((WEB / "templates").glob("*.html")), SHARED):
        for _, _, message in environment.extract_translations(path.read_text(encoding="utf-8")):
            yield from (part for part in (message if isinstance(message, tuple) else (message,)) if part)
    for path in sorted(WEB.rglob("*.py")):
        yield from re.findall(r'\b(?:words|say)\(\s*"((?:[^"\\]|\\.)*)"', path.read_text(encoding="utf-8"))


def known(language):
    found = set()
    for message in catalogue(language):
        texts = message.string if isinstance(message.string, tuple) else (message.string,)
        if message.id and all(texts):
            found.update(message.id if isinstance(message.id, tuple) else (message.id,))
    return found


@pytest.mark.parametrize("language", OTHERS)
def test_every_sentence_of_the_pages_has_its_words(language):
    assert sorted(set(sentences()) - known(language)) == []


@pytest.mark.parametrize("language", OTHERS)
def test_every_word_that_pages_put_in_has_its_words(language):
    put_in = {*ROLES, *RULINGS, *STATES, *OUTCOMES.values(), *DONE.values(), *(words for _, words, _ in NAVIGATION)}
    put_in |= {*evidence.DONE.values(), *passline.DONE.values(), *rigs.DONE.values(), decide.NEXT}
    put_in |= {words for _, rows in KEYS for _, words in rows} | {title for title, _ in KEYS}
    assert sorted(put_in - known(language)) == []


@pytest.mark.parametrize("language", OTHERS)
def test_every_reading_has_a_name(language):
    names = {part for pair in wording._NAMES.values() for part in pair}
    names |= {wording.name_of(reading, None, None, alone=alone) for reading in VOCABULARY for alone in (False, True)}
    assert sorted(names - known(language)) == []


@pytest.mark.parametrize("language", OTHERS)
def test_what_is_put_into_a_sentence_stays_in_it(language):
    for message in catalogue(language):
        if not message.id:
            continue
        ids = message.id if isinstance(message.id, tuple) else (message.id,)
        texts = message.string if isinstance(message.string, tuple) else (message.string,)
        for text in texts:
            assert set(PLACEHOLDER.findall(text)) == set(PLACEHOLDER.findall(ids[-1])), text


@pytest.mark.parametrize("language", OTHERS)
def test_the_packed_catalogue_is_the_written_one(language):
    packed = io.BytesIO()
    write_mo(packed, catalogue(language))
    kept = files("kerfmark.web") / "locale" / language / "LC_MESSAGES" / "kerfmark.mo"
    assert kept.read_bytes() == packed.getvalue()


def test_a_page_comes_in_the_browser_s_language_and_says_so(open_browser):
    page = open_browser().get("/sign-in", headers={"accept-language": "de-AT, en;q=0.5"}).text
    assert '<html lang="de"' in page
    assert "Kontoname" in page
    assert "Account name" not in page


def test_a_piece_is_shown_in_german_with_its_criteria_and_rulings(school, visit):
    piece = school.measured(school.sitting(), "l1", ["out", "on"])
    browser = visit("teacher")
    browser.post("/look", {"language": "de"})
    page = browser.get(f"/pieces/{piece}").text
    for words in ("nicht erfüllt", "zu knapp", "Ziel geräumt", "Kriterien", "wartet auf Prüfende"):
        assert words in page
    assert words_in("de").count("%(n)d piece signed.", "%(n)d pieces signed.", 2) == "2 Werkstücke unterschrieben."
