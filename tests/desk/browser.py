"""A real Chromium, and a call desk opened in it."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

DESKTOP = {"width": 1366, "height": 768}
PHONE = {"width": 390, "height": 844}
BUBBLING_TANK = (
    "when I give it full boost the tank bubbles like a kettle, and afterwards it smells of fuel at the back. "
    "no fuel leak underneath that I can see"
)


def chromium_path() -> str | None:
    """Return where Chromium is, or None."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@contextlib.contextmanager
def chromium() -> Iterator[Browser]:
    """Run a headless Chromium; without one the test is skipped, or fails where one is asked for."""
    path = chromium_path()
    if path is None:
        message = "no chromium on this machine (Debian: apt-get install chromium)"
        if os.environ.get("PREPULL_NEED_BROWSER"):
            pytest.fail(message)
        pytest.skip(message)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


class Desk:
    """The page, and what a person does and reads on it. Errors of the page's scripts are collected."""

    def __init__(self, page: Page, base: str) -> None:
        self.page = page
        self.base = base
        self.errors: list[str] = []
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.goto(f"{base}/")

    def ready(self) -> None:
        """Wait until a call can be taken."""
        expect(self.page.locator("#fact-induction")).to_be_attached()
        expect(self.page.locator("#stamp")).to_contain_text("Knowledge base")

    def say(self, words: str) -> None:
        """Type into whatever has the focus, as one group of keystrokes, and wait until it is heard."""
        self.page.keyboard.insert_text(words)
        expect(self.page.locator("#heard li, #unheard:not([hidden])").first).to_be_visible()

    def press(self, *keys: str) -> None:
        """Press keys one after the other."""
        for key in keys:
            self.page.keyboard.press(key)

    def heard(self) -> list[str]:
        """Return the labels of the candidate lines."""
        labels: list[str] = self.page.locator("#heard .head").evaluate_all(
            "all => all.map(e => e.firstChild.textContent)"
        )
        return labels

    def known(self) -> dict[str, str]:
        """Return what is taken down: label to state."""
        rows = self.page.locator("#known li:not(.hint)").evaluate_all(
            "all => all.map(e => [e.querySelector('.head').textContent, e.querySelector('.tag').textContent])"
        )
        return dict(rows)

    def verdict(self) -> str:
        """Return the verdict as it stands in the banner."""
        return self.page.locator("#verdict .word strong").inner_text()


@contextlib.contextmanager
def opened(
    browser: Browser,
    base: str,
    viewport: dict[str, int] | None = None,
    dark: bool = False,
    needs_key: bool = False,
) -> Iterator[Desk]:
    """Open the call desk in a window of its own; fails if a script of the page did.

    Where it `needs_key` it is not waited for until a call can be taken: it asks for the key first.
    """
    size = viewport or DESKTOP
    context = browser.new_context(
        viewport={"width": size["width"], "height": size["height"]},
        color_scheme="dark" if dark else "light",
        has_touch=size is PHONE,
    )
    context.set_default_timeout(10_000)
    try:
        desk = Desk(context.new_page(), base)
        if not needs_key:
            desk.ready()
        yield desk
        assert desk.errors == []
    finally:
        context.close()
