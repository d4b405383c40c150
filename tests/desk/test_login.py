"""Logging in at the desk, out again, and a login that ends in the middle of a call."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from tests.api.serving import ROOT, served
from tests.desk.browser import DESKTOP, PHONE, Desk, opened
from tests.desk.test_accessibility import check

WIDTHS = pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
SCHEMES = pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
REFUSED = "This key does not open the desk."
COVERED = """() => [...document.querySelectorAll('a, button, textarea, input, select, summary')]
    .filter(part => !part.closest('#login'))
    .filter(part => { part.focus(); return document.activeElement === part; })
    .map(part => part.outerHTML)"""
"""What outside of the form can take the focus."""


@dataclass(frozen=True)
class Shop:
    """A service that wants a key. One key is made for the office, so that access is never open."""

    base: str
    database: str

    def command(self, *words: str) -> str:
        """Run a command beside the service and return what it prints."""
        command = [sys.executable, "-m", "api.command", *words, "--database", self.database]
        return subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout.strip()

    def make_key(self, name: str = "front desk") -> str:
        """Make a key and return it."""
        return make_key(self.database, name)

    def revoke(self, key: str) -> None:
        """Revoke a key and wait until the service knows."""
        self.command("keys", "revoke", key.split("_")[1])
        end = time.monotonic() + 15
        while time.monotonic() < end:
            if httpx.get(f"{self.base}/v1/session", headers={"authorization": f"Bearer {key}"}).is_error:
                return
            time.sleep(0.2)
        raise TimeoutError("the key is still good")


def make_key(database: str, name: str) -> str:
    """Make a key for a desk and return it."""
    scopes = ("--scope", "ask", "--scope", "keep_cases")
    return Shop("", database).command("keys", "create", name, *scopes)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """A service in which a key was made."""
    database = f"sqlite:///{tmp_path_factory.mktemp('shop') / 'cases.sqlite'}"
    make_key(database, "office")
    with served("--database", database) as base:
        yield Shop(base, database)


@pytest.fixture(scope="module")
def key(shop: Shop) -> str:
    """A key for the front desk."""
    return shop.make_key()


def log_in(desk: Desk, key: str) -> None:
    """Put a key in by keyboard alone and wait until a call can be taken."""
    expect(desk.page.locator("#login")).to_be_visible()
    desk.page.keyboard.insert_text(key)
    desk.press("Enter")
    expect(desk.page.locator("#login")).to_be_hidden()
    desk.ready()


def sideways(page: Page) -> int:
    """Return by how much the page is wider than its window."""
    wide: int = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return wide


def take_call(desk: Desk) -> None:
    """Take a small call to its verdict."""
    desk.say("tank bubbles under boost")
    desk.press("Enter", "Escape")
    expect(desk.page.locator("#verdict .word strong")).to_have_text("Mend first")
    assert desk.known() == {"Fuel tank bubbles under boost": "there"}


def test_nothing_but_the_form_can_be_reached(browser: Browser, shop: Shop) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        page = desk.page
        expect(page.get_by_role("dialog", name="Log in")).to_be_visible()
        expect(page.get_by_label("Key", exact=True)).to_be_focused()
        expect(page.get_by_label("Key", exact=True)).to_have_attribute("type", "password")
        expect(page.get_by_text("The key that the shop's operator made for this desk.")).to_be_visible()
        assert page.evaluate(COVERED) == []
        desk.press("Escape", "Escape", "Escape")
        expect(page.locator("#login")).to_be_visible()
        assert page.evaluate(COVERED) == []
        expect(page.locator("#who")).to_be_hidden()
        expect(page.locator("#facts")).to_be_empty()


def test_the_form_stays_where_a_browser_lets_escape_close_it(browser: Browser, shop: Shop) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        expect(desk.page.locator("#login")).to_be_visible()
        desk.page.evaluate("document.getElementById('login').removeAttribute('closedby')")
        for _ in range(4):
            desk.press("Escape")
            expect(desk.page.locator("#login")).to_be_visible()
            expect(desk.page.locator("#key")).to_be_focused()
        assert desk.page.evaluate(COVERED) == []


def test_a_wrong_key_is_told_and_wiped(browser: Browser, shop: Shop, key: str) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        page = desk.page
        alert = page.locator("#login [role=alert]")
        expect(page.locator("#key")).to_be_focused()
        desk.press("Enter")
        expect(alert).to_have_text("Put the key in first.")
        page.keyboard.insert_text(key[:-1])
        desk.press("Enter")
        expect(alert).to_contain_text(REFUSED)
        expect(page.locator("#key")).to_have_value("")
        expect(page.locator("#key")).to_be_focused()
        page.keyboard.insert_text("<img src=x onerror=alert(1)>")
        page.get_by_role("button", name="Log in").click()
        expect(page.locator("#key")).to_have_value("")
        expect(alert).to_contain_text(REFUSED)
        expect(page.locator("#key")).to_be_focused()
        log_in(desk, f"  {key} ")
        assert desk.page.context.cookies() != []


def test_a_service_that_does_not_answer_leaves_the_key(browser: Browser, shop: Shop, key: str) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        page = desk.page
        expect(page.locator("#key")).to_be_focused()
        page.route("**/v1/session", lambda route: route.abort())
        page.keyboard.insert_text(key)
        desk.press("Enter")
        expect(page.locator("#login [role=alert]")).to_contain_text("does not answer")
        expect(page.locator("#key")).to_have_value(key)
        page.unroute("**/v1/session")
        desk.press("Enter")
        expect(page.locator("#login")).to_be_hidden()
        desk.ready()


def test_too_many_tries_are_told(browser: Browser, shop: Shop) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        expect(desk.page.locator("#key")).to_be_focused()
        desk.page.route("**/v1/session", lambda route: route.fulfill(status=429, json={"detail": "slowly"}))
        desk.page.keyboard.insert_text("prepull_x_y")
        desk.press("Enter")
        expect(desk.page.locator("#login [role=alert]")).to_contain_text("Wait a minute")


@WIDTHS
def test_a_call_by_keyboard_after_logging_in(
    browser: Browser, shop: Shop, key: str, size: dict[str, int]
) -> None:
    with opened(browser, shop.base, size, needs_key=True) as desk:
        page = desk.page
        page.evaluate("window.same = true")
        log_in(desk, key)
        expect(page.locator("#words")).to_be_focused()
        expect(page.locator("#who")).to_contain_text("front desk")
        take_call(desk)
        desk.press("Tab", "n")
        expect(page.locator("#known li")).to_have_count(2)
        assert page.evaluate("window.same") is True, "the page was loaded again"
        assert page.locator("#key").input_value() == ""
        kept = page.evaluate("JSON.stringify([sessionStorage, localStorage]) + document.cookie")
        assert key not in kept
        assert "prepull_desk" not in kept
        (cookie,) = page.context.cookies()
        assert cookie["httpOnly"] is True
        assert cookie["sameSite"] == "Strict"
        page.reload()
        desk.ready()
        expect(page.locator("#login")).to_be_hidden()
        expect(page.locator("#known li")).to_have_count(2)
        assert sideways(page) <= 0


def test_every_change_carries_the_token(browser: Browser, shop: Shop, key: str) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        log_in(desk, key)
        with desk.page.expect_request("**/v1/phrases") as sent:
            desk.say("tank bubbles under boost")
        assert len(sent.value.headers["x-prepull-token"]) == 64
        with desk.page.expect_request("**/v1/triage") as sent:
            desk.press("Enter")
        assert len(sent.value.headers["x-prepull-token"]) == 64


def test_logging_out_and_in_again(browser: Browser, shop: Shop, key: str) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        page = desk.page
        log_in(desk, key)
        take_call(desk)
        (cookie,) = page.context.cookies()
        page.get_by_role("button", name="Log out").focus()
        desk.press("Enter")
        expect(page.get_by_role("dialog", name="Log in")).to_contain_text("You are logged out.")
        expect(page.locator("#key")).to_be_focused()
        assert page.evaluate(COVERED) == []
        assert page.context.cookies() == []
        stolen = {"cookie": f"{cookie['name']}={cookie['value']}"}
        assert httpx.get(f"{shop.base}/v1/session", headers=stolen).status_code == 401
        page.emulate_media(media="print")
        assert not page.locator("#sheet").is_visible()
        page.emulate_media(media="screen")
        log_in(desk, key)
        expect(page.locator("#words")).to_be_focused()
        assert desk.known() == {"Fuel tank bubbles under boost": "there"}
        expect(page.locator("#verdict .word strong")).to_have_text("Mend first")


def test_logging_out_without_a_connection_says_so(browser: Browser, shop: Shop, key: str) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        log_in(desk, key)
        desk.page.route("**/v1/session", lambda route: route.abort())
        desk.page.get_by_role("button", name="Log out").click()
        expect(desk.page.locator("#trouble")).to_contain_text("still logged in")
        expect(desk.page.locator("#login")).to_be_hidden()


def test_a_key_revoked_in_the_middle_of_a_call(browser: Browser, shop: Shop) -> None:
    short, other = shop.make_key("spare desk"), shop.make_key("front desk, new")
    with opened(browser, shop.base, needs_key=True) as desk:
        page = desk.page
        log_in(desk, short)
        desk.say("blue smoke at start up")
        desk.press("Shift+Enter", "Escape")
        page.locator("#fact-gearbox").select_option("manual")
        page.locator("#words").focus()
        desk.say("tank bubbles under boost")
        expect(page.locator("#heard li").first).to_contain_text("Fuel tank bubbles under boost")
        shop.revoke(short)

        desk.press("Enter")
        expect(page.get_by_role("dialog", name="Log in")).to_contain_text("The login has ended.")
        expect(page.locator("#verdict .stale")).to_contain_text("does not count the last step")
        known = desk.known()
        assert known["Fuel tank bubbles under boost"] == "there"
        assert len(known) == 2
        desk.press("Control+z")
        page.mouse.click(5, 5)
        desk.press("Control+z", "Escape")
        assert desk.known() == known, "a key pressed at the form reached the call"
        page.locator("#key").focus()
        page.keyboard.insert_text(short)
        desk.press("Enter")
        expect(page.locator("#login [role=alert]")).to_contain_text(REFUSED)

        log_in(desk, other)
        expect(page.locator("#who")).to_contain_text("front desk, new")
        expect(page.locator("#verdict .word strong")).to_have_text("Mend first")
        expect(page.locator("#verdict .stale")).to_have_count(0)
        expect(page.locator("#words")).to_be_focused()
        expect(page.locator("#words")).to_have_value("tank bubbles under boost")
        expect(page.locator("#fact-gearbox")).to_have_value("manual")
        expect(page.locator("#said li")).to_have_text("blue smoke at start up")
        assert desk.known() == known
        desk.press("Control+a", "Backspace", "Control+z")
        expect(page.locator("#known li")).to_have_count(1)


def test_it_goes_on_with_the_newest_words(browser: Browser, shop: Shop, key: str) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        page = desk.page
        log_in(desk, key)
        page.context.clear_cookies()
        page.keyboard.insert_text("tank")
        expect(page.locator("#login")).to_be_visible()
        # The form takes every key, so what was typed in the moment before it came is put in by script.
        page.evaluate(
            """() => {
                const field = document.getElementById('words');
                field.value = 'blue smoke at start up';
                field.dispatchEvent(new InputEvent('input', {bubbles: true}));
            }"""
        )
        asked: list[object] = []
        page.on(
            "request",
            lambda sent: (
                asked.append((sent.post_data_json or {}).get("text"))
                if sent.url.endswith("/v1/phrases")
                else None
            ),
        )
        log_in(desk, key)
        expect(page.locator("#heard li").first).to_contain_text("smoke")
        assert set(asked) == {"blue smoke at start up"}


def test_two_tabs_with_one_login(browser: Browser, shop: Shop, key: str) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        log_in(desk, key)
        second = Desk(desk.page.context.new_page(), shop.base)
        second.ready()
        second.page.get_by_role("button", name="Log out").click()
        log_in(second, key)
        # The first tab holds the token of the login before.
        take_call(desk)
        expect(desk.page.locator("#trouble")).to_be_hidden()

        second.page.get_by_role("button", name="Log out").click()
        expect(second.page.locator("#login")).to_be_visible()
        desk.page.keyboard.insert_text("it smells of fuel after boost")
        expect(desk.page.locator("#login")).to_be_visible()
        log_in(second, key)
        desk.page.evaluate("window.dispatchEvent(new Event('focus'))")
        expect(desk.page.locator("#login")).to_be_hidden()
        expect(desk.page.locator("#heard li").first).to_contain_text("Fuel smell after boost")
        assert second.errors == []


def test_a_key_that_may_not_ask_is_told_and_can_be_changed(browser: Browser, shop: Shop, key: str) -> None:
    weak = shop.command("keys", "create", "outcomes", "--scope", "confirm_outcomes")
    with opened(browser, shop.base, needs_key=True) as desk:
        page = desk.page
        expect(page.locator("#key")).to_be_focused()
        page.keyboard.insert_text(weak)
        desk.press("Enter")
        expect(page.locator("#trouble")).to_contain_text("The service does not take this")
        page.get_by_role("button", name="Log out").click()
        log_in(desk, key)
        take_call(desk)


def test_open_access_shows_nothing_of_it(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        expect(desk.page.locator("#login")).to_be_hidden()
        expect(desk.page.locator("#who")).to_be_hidden()
        expect(desk.page.locator("#words")).to_be_focused()
        with desk.page.expect_request("**/v1/phrases") as sent:
            desk.say("tank bubbles under boost")
        assert "x-prepull-token" not in sent.value.headers


def test_a_first_key_made_in_the_middle_of_a_call(browser: Browser, tmp_path: Path) -> None:
    database = f"sqlite:///{tmp_path / 'cases.sqlite'}"
    with served("--database", database) as base, opened(browser, base) as desk:
        take_call(desk)
        key = make_key(database, "front desk")
        end = time.monotonic() + 15
        while httpx.get(f"{base}/v1/session").is_success and time.monotonic() < end:
            time.sleep(0.2)
        desk.page.keyboard.insert_text("it smells of fuel after boost")
        log_in(desk, key)
        expect(desk.page.locator("#heard li").first).to_contain_text("Fuel smell after boost")
        expect(desk.page.locator("#who")).to_contain_text("front desk")


@WIDTHS
def test_a_long_name_finds_room(browser: Browser, shop: Shop, size: dict[str, int]) -> None:
    key = shop.make_key("the desk at the very back of the shop, beside the window " * 3)
    with opened(browser, shop.base, size, needs_key=True) as desk:
        log_in(desk, key)
        expect(desk.page.get_by_role("button", name="Log out")).to_be_in_viewport(ratio=1)
        assert sideways(desk.page) <= 0


@SCHEMES
@WIDTHS
def test_no_violations(browser: Browser, shop: Shop, key: str, size: dict[str, int], dark: bool) -> None:
    with opened(browser, shop.base, size, dark, needs_key=True) as desk:
        page = desk.page
        expect(page.locator("#login")).to_be_visible()
        check(page)
        page.keyboard.insert_text("wrong")
        desk.press("Enter")
        expect(page.locator("#login [role=alert]")).to_contain_text(REFUSED)
        check(page)
        if size is PHONE:
            low = page.locator("#login :is(input, button)").evaluate_all(
                "all => all.filter(e => e.getBoundingClientRect().height < 43).map(e => e.id)"
            )
            assert low == []
        log_in(desk, key)
        check(page)
        take_call(desk)
        page.context.clear_cookies()
        page.keyboard.insert_text("it smells of fuel after boost")
        expect(page.locator("#login")).to_be_visible()
        check(page)


def test_the_policy_is_kept(browser: Browser, shop: Shop, key: str) -> None:
    with opened(browser, shop.base, needs_key=True) as desk:
        expect(desk.page.locator("#key")).to_be_focused()
        desk.page.evaluate(
            "window.broken = []; "
            "document.addEventListener('securitypolicyviolation', e => broken.push(e.violatedDirective))"
        )
        desk.page.keyboard.insert_text("wrong")
        desk.press("Enter")
        expect(desk.page.locator("#login [role=alert]")).to_contain_text(REFUSED)
        log_in(desk, key)
        desk.page.get_by_role("button", name="Log out").click()
        expect(desk.page.locator("#login")).to_be_visible()
        assert desk.page.evaluate("broken") == []
        assert desk.page.url == f"{shop.base}/"
