"""A whole call, by keyboard alone and by touch."""

from __future__ import annotations

import httpx
from playwright.sync_api import Browser, Page, expect

from tests.desk.browser import PHONE, opened

CALL = (
    ("when I give it full boost the tank bubbles like a kettle", "Fuel tank bubbles under boost"),
    ("it smells of fuel after boost", "Fuel smell after boost"),
)
"""Six groups of keystrokes: words, Enter, Escape, twice over."""


def test_bubbling_tank_by_keyboard_to_the_printed_sheet(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        page = desk.page
        assert page.evaluate("document.activeElement.id") == "words"
        assert desk.verdict() == "No verdict yet"
        for words, label in CALL:
            desk.say(words)
            expect(page.locator("#heard li").first).to_contain_text(label)
            desk.press("Enter", "Escape")
        expect(page.locator("#verdict .word strong")).to_have_text("Mend first")
        assert desk.known() == {
            "Fuel tank bubbles under boost": "there",
            "Fuel smell after boost": "there",
        }
        expect(page.locator("#causes li").first).to_contain_text("Purge valve lets boost through")
        expect(page.locator(".holds li")).to_have_count(2)

        expect(page.locator("#words")).to_have_value("")
        page.keyboard.press("Tab")
        expect(page.locator(".question.marked")).to_be_focused()
        before = page.locator(".question.marked .read-out").inner_text()
        page.keyboard.press("n")
        expect(page.locator(".question.marked .read-out")).not_to_have_text(before)
        expect(page.locator(".question.marked")).to_be_focused()
        expect(page.locator("#known li")).to_have_count(3)

        page.keyboard.press("Control+z")
        expect(page.locator("#known li")).to_have_count(2)
        reach(page, "print")
        page.evaluate("window.print = () => { document.title = 'printed' }")
        page.keyboard.press("Enter")
        assert page.title() == "printed"
        page.emulate_media(media="print")
        sheet = page.locator("#sheet").inner_text()
        assert "Before the full-load run" in sheet
        assert "Boost passes the purge valve to canister and tank." in sheet
        assert "Lifted when:" in sheet
        assert "Fuel smell after boost" in sheet
        assert "licensed practice come first" in sheet
        assert not page.locator("main").is_visible()
        assert page.pdf().startswith(b"%PDF")


def reach(page: Page, element_id: str) -> None:
    """Go on with Tab until an element has the focus; fails if it cannot be reached so."""
    for _ in range(120):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == element_id:
            return
    raise AssertionError(f"{element_id} cannot be reached by Tab")


def test_the_page_says_what_the_api_says(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        desk.say("engine knocks deep down when I accelerate")
        expect(desk.page.locator("#heard li").first).to_contain_text("knock")
        desk.press("Enter")
        expect(desk.page.locator("#verdict.is-stop")).to_be_visible()
        kept = desk.page.evaluate("JSON.parse(sessionStorage.getItem('prepull-call'))")
        body = {"findings": [{"id": f["id"], "state": f["state"]} for f in kept["findings"]]}
        answer = httpx.post(f"{server}/v1/triage", json=body).json()
        holds = desk.page.locator(".holds li p").all_inner_texts()
        assert [hold["why"] for hold in answer["holds"]] == [
            told.split(": ", 1)[1].split(" Lifted when:")[0] for told in holds
        ]
        first = desk.page.locator("#causes .name").first
        expect(first).to_contain_text(answer["causes"][0]["label"])
        question = desk.page.locator(".question.marked .read-out")
        expect(question).to_have_text(answer["next_questions"][0]["question"])


def test_absent_by_one_key_and_turned_over(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        desk.say("blue smoke at start up")
        desk.press("Shift+Enter")
        label = next(iter(desk.known()))
        assert desk.known()[label] == "not there"
        desk.page.get_by_role("button", name=f"Turn over: {label}").click()
        expect(desk.page.locator("#known .tag").first).to_have_text("there")
        desk.page.get_by_role("button", name=f"Drop: {label}").click()
        assert desk.known() == {}
        desk.page.get_by_role("button", name="Undo").click()
        assert desk.known() == {label: "there"}


def test_the_car_is_heard_and_can_be_set(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        desk.say("its a twin turbo running on e85")
        expect(desk.page.locator("#heard li.car")).to_have_count(2)
        desk.press("Enter", "Enter")
        expect(desk.page.locator("#fact-induction")).to_have_value("turbocharged")
        expect(desk.page.locator("#fact-fuel")).to_have_value("ethanol_blend")
        desk.page.locator("#fact-gearbox").select_option("manual")
        kept = desk.page.evaluate("JSON.parse(sessionStorage.getItem('prepull-call')).vehicle")
        assert kept == {"induction": "turbocharged", "fuel": "ethanol_blend", "gearbox": "manual"}


def test_nothing_heard_offers_the_question_that_would_tell(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        desk.say("zzz qqq xxx")
        expect(desk.page.locator("#unheard")).to_contain_text("Ask: ")
        assert desk.heard() == []


def test_phone_width_by_touch(browser: Browser, server: str) -> None:
    with opened(browser, server, PHONE) as desk:
        page = desk.page
        page.locator("#words").tap()
        desk.say("tank bubbles under boost")
        page.locator("#heard .take").first.tap()
        expect(page.locator("#verdict .word strong")).to_have_text("Mend first")
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, "the page scrolls sideways"
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, select, .take, .hop a, input')]
                .map(e => [e.textContent.slice(0, 20) || e.id, e.getBoundingClientRect()])
                .filter(([, r]) => r.width > 0 && r.height < 43).map(([name]) => name)"""
        )
        assert small == []
        page.locator(".hop a", has_text="Car").tap()
        expect(page.locator("#car-head")).to_be_in_viewport()
        expect(page.locator("#verdict .word")).to_be_in_viewport()
        page.locator(".question.marked button.no").tap()
        expect(page.locator("#known li")).to_have_count(2)
