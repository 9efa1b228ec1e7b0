"""Every page in a real browser: the policy blocks nothing, nothing is fetched from elsewhere, axe-core finds nothing, nothing runs over on a phone.

Source: WCAG 2.2, levels A and AA, as far as axe-core (Deque, MPL-2.0, from the test extra) can tell.
"""

import pytest

PAGES = {
    "ines": ("/pieces", "/pieces/new", "/sittings", "/sittings/{practice}", "/progress", "/account"),
    "milo": ("/pieces/{seen}", "/pieces/{seen}/reveal", "/pieces/{waiting}/judge"),
    "otto": ("/queue", "/pieces/{waiting}/decide"),
    "ruth": (
        "/sittings", "/sittings/new", "/sittings/{practice}", "/pieces/{seen}", "/pieces/{seen}/beside", "/exercises", "/exercises/{exercise}", "/limits", "/limits/{exercise}?c=2", "/learners",
        "/learners/{milo}", "/evidence?ask=1", "/evidence/line", "/rigs", "/admin", "/admin/audit", "/keys", "/api/docs", "/find?q=zzz",
    ),
    None: ("/sign-in", "/look"),
}  # fmt: skip
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
LOOKS = {
    "light": {"color_scheme": "light"},
    "dark": {"color_scheme": "dark"},
    "german": {"locale": "de-DE"},
    "phone": {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True},
}


@pytest.mark.parametrize(
    "look", ["light", *(pytest.param(look, marks=pytest.mark.slow) for look in ("dark", "phone", "german"))]
)
def test_every_page_can_be_read_and_used_by_everybody(desk, served, look):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    found = {}
    for login, addresses in PAGES.items():
        at = desk(login, **LOOKS[look])
        for address in addresses:
            at.go(address.format(**{k: v for k, v in served.ids.items() if k.isidentifier()}))
            if "/pieces/" in address and not address.endswith(("/new", "/beside")):
                at.page.wait_for_selector("kerfmark-view[data-state]", timeout=60_000)
            told = axe.run(at.page, options=RULES).response["violations"]
            faults = [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in told]
            if faults:
                found[login, address] = faults
    assert found == {}


SMALLEST_PX = """
() => {
  const small = new Set();
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const held = node.parentElement;
    if (!node.data.trim() || held.closest("script, style, .spoken") || !held.checkVisibility()) continue;
    const matrix = held.closest("svg") ? held.getScreenCTM?.() : null;
    const size = parseFloat(getComputedStyle(held).fontSize) * (matrix ? Math.hypot(matrix.a, matrix.b) : 1);
    if (size < 10.95) small.add(`${size.toFixed(1)} px: ${node.data.trim().slice(0, 30)}`);
  }
  return [...small];
}
"""


AT_THE_EDGE = """
() => {
  const wide = document.documentElement.clientWidth, found = new Set();
  const walker = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const held = node.parentElement, scrolls = held.closest(".scroll, .code-block, .across");
    if (!node.data.trim() || held.closest("svg, option, .spoken") || !held.checkVisibility()) continue;
    if (scrolls && scrolls.scrollWidth > scrolls.clientWidth) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects()) if (box.width && (box.left < 4 || box.right > wide - 4)) found.add(node.data.trim().slice(0, 30));
  }
  return [...found];
}
"""


def test_nothing_runs_over_the_edge_of_a_phone_and_no_words_are_too_small_there(desk, served):
    """Source: WCAG 2.2, 1.4.10 Reflow: no scrolling in two directions; our own rule: nothing under 11 px, in drawings neither."""
    wrong = {}
    for login, addresses in PAGES.items():
        at = desk(login, **LOOKS["phone"])
        for address in addresses:
            at.go(address.format(**{k: v for k, v in served.ids.items() if k.isidentifier()}))
            over = at.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            small, edge = at.page.evaluate(SMALLEST_PX), at.page.evaluate(AT_THE_EDGE)
            if over > 0 or small or edge:
                wrong[login, address] = over, small, edge
    assert wrong == {}, wrong


def test_counts_stand_once_on_a_wide_screen_and_boxes_are_drawn_in_the_page_s_own_colours(desk, served):
    at = desk("ruth", **LOOKS["dark"])
    at.go(f"/sittings/{served.ids['practice']}")
    assert at.page.locator(".sum .chains").first.is_visible()
    assert not at.page.locator(".sums").is_visible()
    at.go("/sittings/new")
    colour = "e => getComputedStyle(e).backgroundColor"
    assert at.page.locator("[name=blind]").evaluate(colour) == at.page.locator("#title").evaluate(colour)
