"""What every page must be like, whoever asks: nothing inline, a language, a title, a heading, labels, unique ids."""

from collections import Counter

import pytest
from lxml import html

SEEN_BY = {
    "l1": ("/pieces", "/pieces/new", "/sittings", "/sittings/{sitting}", "/pieces/{unseen}/judge", "/pieces/{piece}/reveal", "/pieces/{piece}", "/progress", "/account", "/find?q=zzz"),
    "e1": ("/queue", "/pieces/{piece}/decide", "/pieces/{piece}"),
    "lead": (
        "/sittings", "/sittings/new", "/sittings/{sitting}", "/pieces/{piece}", "/pieces/{piece}/beside", "/pieces/{aside}", "/exercises", "/exercises/{exercise}", "/limits", "/limits/{exercise}?c=2",
        "/learners", "/learners/{learner}", "/evidence", "/evidence?ask=1", "/evidence/line", "/rigs", "/admin", "/admin/audit", "/queue",
    ),
    None: ("/sign-in", "/look", "/keys", "/setup/x", "/link/x", "/nowhere"),
}  # fmt: skip
PAGES = [(who, address) for who, addresses in SEEN_BY.items() for address in addresses]


@pytest.fixture
def places(school):
    sitting = school.sitting(prompts=["What would you do differently?"])
    piece = school.measured(sitting, "l1", ["out", "on"])
    school.judge(piece)
    return {
        "sitting": sitting, "piece": piece, "unseen": school.measured(sitting, "l1", content=b"another"), "aside": school.set_aside(sitting, "l2"),
        "exercise": school.exercise, "learner": school.ids["l1"],
    }  # fmt: skip


@pytest.fixture
def pages(places, visit):
    """Every page, read once."""
    browsers = {who: visit(who) for who in SEEN_BY}
    return {(who, address): html.fromstring(browsers[who].get(address.format(**places)).text) for who, address in PAGES}


def test_no_page_holds_an_inline_script_a_style_or_a_handler(pages):
    """Source: Content Security Policy 3: these are what a policy without `unsafe-inline` blocks. A script of data is no script (HTML, 4.12.1)."""
    for place, page in pages.items():
        assert page.xpath("//style | //*[@style]") == [], place
        assert page.xpath("//script[not(@src) and not(@type='application/json')]") == [], place
        assert [a for e in page.iter() for a in e.attrib if a.lower().startswith("on")] == [], place
        assert [
            a
            for a in page.xpath("//@href | //@src | //@action")
            if "javascript:" in a or "//" in a.replace("http://www.w3.org", "")
        ] == [], place


def test_every_page_has_a_language_one_main_a_title_and_one_first_heading(pages):
    for place, page in pages.items():
        assert page.xpath("/html/@lang") == ["en"], place
        assert len(page.xpath("//main")) == len(page.xpath("//h1")) == 1, place
        title = page.xpath("//title")[0].text
        assert title.endswith(", kerfmark"), place
        assert len(title) > len(", kerfmark"), place


def test_every_field_is_labelled(pages):
    """Source: WCAG 2.2, 1.3.1 and 4.1.2."""
    for place, page in pages.items():
        for field in page.xpath("//input[not(@type='hidden')] | //select | //textarea"):
            labelled = (
                field.get("aria-label")
                or field.xpath("ancestor::label")
                or page.xpath(f"//label[@for='{field.get('id')}']")
            )
            assert labelled, (place, html.tostring(field)[:200])


def test_no_id_stands_twice_on_a_page(pages):
    for place, page in pages.items():
        twice = [
            name
            for name, n in Counter(page.xpath("//@id")).items()
            if n > 1 and not name.startswith(("h-", "over-", "left-", "close-zone"))
        ]
        assert twice == [], place


def test_every_page_says_that_nothing_here_is_for_patients(pages):
    for place, page in pages.items():
        assert "nothing here is for use on patients" in page.xpath("string(//main//footer)"), place


def test_every_form_that_changes_something_carries_a_token(pages):
    forms = [(place, form) for place, page in pages.items() for form in page.xpath("//form[@method='post']")]
    assert len(forms) > 40
    assert [place for place, form in forms if not form.xpath(".//input[@name='form_token']")] == []
