"""WCAG 2.2 AA by axe-core, in both schemes, on both widths, with everything open."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect

from tests.desk.browser import BUBBLING_TANK, DESKTOP, PHONE, opened

LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_no_violations(browser: Browser, server: str, size: dict[str, int], dark: bool) -> None:
    with opened(browser, server, size, dark) as desk:
        page = desk.page
        check(desk.page)
        desk.say(BUBBLING_TANK + ". blue smoke at start up")
        check(page)
        desk.press("Enter", "Enter", "Enter")
        expect(page.locator(".holds li").first).to_be_visible()
        for summary in page.locator("main summary, .verdict summary").all():
            if summary.is_visible():
                summary.click()
        check(page)
        page.get_by_role("button", name="Keys").click()
        check(page)


def check(page: object) -> None:
    """Fail with every violation told."""
    options = {"runOnly": {"type": "tag", "values": LEVELS}}
    results = Axe().run(page, options=options)
    assert results.violations_count == 0, results.generate_report()


def test_the_pictures_say_in_words_what_they_show(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        desk.say(BUBBLING_TANK)
        desk.press("Enter", "Enter")
        desk.page.locator("#causes summary").first.click()
        why = desk.page.locator("#causes svg.picture").first
        expect(why).to_be_visible()
        told = why.locator("desc").text_content() or ""
        assert "Fuel tank bubbles under boost: for, " in told
        moves = desk.page.locator(".question.marked svg.picture desc")
        assert "after yes" in (moves.text_content() or "")
        assert why.get_attribute("role") == "img"


def test_the_focus_is_seen_and_the_verdict_stays_in_view(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        page = desk.page
        desk.say("tank bubbles under boost")
        desk.press("Enter", "Escape")
        for _ in range(25):
            page.keyboard.press("Tab")
            style = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert style != "none", page.evaluate("document.activeElement.outerHTML.slice(0, 120)")
        page.mouse.wheel(0, 4000)
        expect(page.locator("#verdict .word")).to_be_in_viewport()
        expect(page.locator("#verdict .held")).to_be_in_viewport()


def test_verdicts_differ_by_shape_and_word(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        shapes = set()
        for words in ("tank bubbles under boost", "engine knocks deep down when I accelerate"):
            desk.say(words)
            desk.press("Enter", "Escape")
            expect(desk.page.locator("#verdict .sign").first).to_be_visible()
            desk.page.wait_for_timeout(300)
            outline = desk.page.locator("#verdict .word .outline").get_attribute("d")
            shapes.add((outline, desk.verdict()))
        assert len(shapes) == 2
        assert len({outline for outline, _ in shapes}) == 2
