"""What may go wrong in the middle of a call."""

from __future__ import annotations

import os
import subprocess
import sys

from playwright.sync_api import Browser, expect

from tests.api.serving import ROOT, free_port, wait_until_up
from tests.desk.browser import opened

HOSTILE = (
    "<img src=x onerror=\"document.title='pwned'\"><script>document.title='pwned'</script>"
    " tank bubbles under boost"
)


def test_markup_and_script_stay_words(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        desk.say(HOSTILE)
        desk.press("Enter", "Escape")
        desk.page.locator("#said-box summary").click()
        expect(desk.page.locator("#said li")).to_contain_text("<script>")
        desk.page.reload()
        expect(desk.page.locator("#said li")).to_contain_text("<script>")
        assert desk.page.title() == "Prepull call desk"
        assert desk.page.locator("#said img, #heard img, #sheet img").count() == 0


def test_the_policy_refuses_scripts_from_elsewhere(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        refused = desk.page.evaluate(
            """() => new Promise(done => {
                document.addEventListener('securitypolicyviolation', e => done(e.violatedDirective));
                const script = document.createElement('script');
                script.textContent = 'document.title = "pwned"';
                document.body.append(script);
            })"""
        )
        assert refused.startswith("script-src")
        assert desk.page.title() == "Prepull call desk"


def test_a_paste_of_twenty_thousand_characters(browser: Browser, server: str) -> None:
    words = ("and then the brother in law came round about the fence again. " * 400)[
        :19_900
    ] + " tank bubbles on boost"
    with opened(browser, server) as desk:
        desk.say(words[:20_000])
        expect(desk.page.locator("#words")).to_have_value(words[:20_000])
        expect(desk.page.locator("#heard li").first).to_be_visible(timeout=15_000)
        desk.press("Escape")
        expect(desk.page.locator("#words")).to_have_value("")


def test_taking_the_same_line_twice_is_once(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        desk.say("tank bubbles under boost")
        desk.page.evaluate(
            """() => {
                const field = document.getElementById('words');
                const key = () => field.dispatchEvent(new KeyboardEvent('keydown', {key: 'Enter', bubbles:
                true})); key(); key();
            }"""
        )
        labels = desk.page.locator("#known .head").all_inner_texts()
        assert len(labels) == len(set(labels))
        assert labels.count("Fuel tank bubbles under boost") == 1


def test_server_restarted_in_the_middle_of_a_call(browser: Browser) -> None:
    port = free_port()
    base = f"http://127.0.0.1:{port}"
    command = [sys.executable, "-m", "api.command", "serve", "--port", str(port)]

    def start() -> subprocess.Popen[bytes]:
        process = subprocess.Popen(command, cwd=ROOT, env=dict(os.environ))
        wait_until_up(base)
        return process

    process = start()
    try:
        with opened(browser, base) as desk:
            page = desk.page
            desk.say("tank bubbles under boost")
            desk.press("Enter")
            expect(page.locator("#verdict .word strong")).to_have_text("Mend first")
            desk.press("Escape")
            process.terminate()
            process.wait(15)
            page.keyboard.insert_text("it smells of fuel after boost")
            expect(page.locator("#service")).to_contain_text("No connection")
            expect(page.locator("#service")).to_contain_text("kept")
            page.get_by_role("button", name="Turn over").click()
            expect(page.locator("#verdict .stale")).to_be_visible()
            expect(page.locator("#words")).to_have_value("it smells of fuel after boost")
            process = start()
            expect(page.locator("#service")).to_have_text("Connected.", timeout=20_000)
            expect(page.locator("#heard li").first).to_contain_text("Fuel smell after boost", timeout=20_000)
            expect(page.locator("#verdict .stale")).to_have_count(0)
            expect(page.locator("#words")).to_have_value("it smells of fuel after boost")
            assert desk.known() == {"Fuel tank bubbles under boost": "not there"}
    finally:
        process.terminate()
        process.wait(15)


def test_a_finding_the_knowledge_base_no_longer_has_is_told(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        kept = '{"findings":[{"id":"gone_from_the_base","label":"Gone","state":"present"}],"text":"tank"}'
        desk.page.evaluate("kept => sessionStorage.setItem('prepull-call', kept)", kept)
        desk.page.reload()
        expect(desk.page.locator("#trouble")).to_contain_text("gone_from_the_base")
        expect(desk.page.locator("#words")).to_have_value("tank")
        desk.page.get_by_role("button", name="Drop: Gone").click()
        expect(desk.page.locator("#trouble")).to_be_hidden()
