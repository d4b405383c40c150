"""The page for the bay in a real Chromium, at the width of a phone: a whole case by hand."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image
from playwright.sync_api import Browser, Locator, Page, expect

from tests.api.serving import served
from tests.desk.browser import DESKTOP, PHONE
from tests.desk.test_accessibility import check

FUEL = "fuel_dry_by_eye_and_nose"
CLAMPS = "clamps_behind_bead"
HOSTILE = "<img src=x onerror=\"document.title='broken'\"> \u202e wet"


@pytest.fixture(scope="module")
def service() -> Iterator[str]:
    with served(environment={"PREPULL_CALLS_PER_MINUTE": "60000"}) as base:
        yield base


class Bay:
    """The page, and what a person does and reads on it."""

    def __init__(self, page: Page, base: str) -> None:
        self.page, self.base = page, base
        self.errors: list[str] = []
        page.on("pageerror", lambda error: self.errors.append(str(error)))

    def api(self, path: str) -> Any:
        return httpx.get(f"{self.base}{path}", timeout=30).json()

    @property
    def case(self) -> str:
        return self.page.url.split("#")[1]

    def point(self, point: str) -> Locator:
        return self.page.locator(f"#point-{point}")

    def unfold(self, point: str) -> Locator:
        box = self.point(point)
        if box.locator("> button").get_attribute("aria-expanded") == "false":
            box.locator("> button").click()
        expect(box.locator(".body")).to_be_visible()
        return box

    def answer(self, point: str, answer: str, note: str = "") -> None:
        box = self.unfold(point)
        if note:
            box.locator("textarea").fill(note)
        with self.page.expect_response(lambda r: "/checks" in r.url and r.request.method == "POST"):
            box.get_by_role("button", name=answer, exact=True).click()
        expect(self.point(point).locator(".mark")).to_have_text(answer)

    def verdict(self) -> str:
        return self.page.locator("#verdict .word strong").inner_text()

    def answer_all(self, stage: str) -> None:
        """Answer what is left of a stage by the API, as another hand would."""
        walk = self.api(f"/v1/cases/{self.case}/inspection")
        left = [
            {"point": p["id"], "answer": "good"}
            for s in walk["stages"]
            if s["id"] == stage
            for p in s["points"]
            if p["state"] != "answered"
        ]
        answered = httpx.post(f"{self.base}/v1/cases/{self.case}/checks", json={"answers": left}, timeout=30)
        assert answered.status_code == 201, answered.text


@pytest.fixture
def bay(browser: Browser, service: str) -> Iterator[Bay]:
    context = browser.new_context(
        viewport={"width": PHONE["width"], "height": PHONE["height"]}, has_touch=True
    )
    page = context.new_page()
    made = Bay(page, service)
    yield made
    assert made.errors == []
    context.close()


def open_case(bay: Bay, reference: str) -> None:
    bay.page.goto(f"{bay.base}/bay")
    bay.page.get_by_label("Number of the job").fill(reference)
    bay.page.get_by_text("What is known of the car").click()
    bay.page.locator("#fact-induction").select_option("turbocharged")
    bay.page.get_by_role("button", name="Open a case").click()
    expect(bay.page.locator(".point .body")).to_be_visible()


def test_a_whole_case_by_hand_at_a_phone(bay: Bay, tmp_path: Path) -> None:
    open_case(bay, "B-1")
    page = bay.page
    expect(page.locator("#ready")).to_contain_text("checks open or bad")
    expect(page.locator("#home li").first).to_contain_text("smell")

    # What stops the job comes first, and is unfolded.
    expect(bay.point(FUEL).locator(".body")).to_be_visible()
    bay.answer(FUEL, "Mend", HOSTILE)
    expect(page.locator("#verdict .word strong")).to_have_text("Stop")
    running = page.locator(".point.is-withheld").first
    expect(running).to_be_visible()
    running.locator("> button").click()
    expect(running.locator(".why")).to_contain_text("has to be mended first")
    assert running.locator(".say button").all_inner_texts() == ["Not checked"]

    # A photograph belongs to the point, and the note stays text.
    drawn = io.BytesIO()
    Image.new("RGB", (900, 700), "orange").save(drawn, "JPEG")
    (tmp_path / "wet.jpg").write_bytes(drawn.getvalue())
    box = bay.unfold(FUEL)
    box.locator("input[type=file]").set_input_files(tmp_path / "wet.jpg")
    expect(box.locator("img")).to_be_visible()
    assert page.title() != "broken"

    # Mended and looked at again.
    bay.answer(FUEL, "Good", "Mended, dry.")
    expect(page.locator("#verdict .word strong")).to_have_text("May run, with advice")
    bay.answer(CLAMPS, "Mend", "Upper pipe.")
    expect(page.locator("#verdict .word strong")).to_have_text("Mend first")

    # A reading of the leak, the clamp put right, and the proof.
    for value in ("80", "3"):
        page.locator("#quantity").select_option("boost_leak_rate")
        page.locator("#value").fill(value)
        with page.expect_response(lambda r: "/observations" in r.url):
            page.get_by_role("button", name="Add the reading").click()
        expect(page.locator("#known li").first).to_contain_text(f"boost leak rate: {value}")
    bay.answer(CLAMPS, "Good", "Put behind the bead.")

    # The rest of the walk is good.
    for stage in ("bonnet_cold", "lift", "pressurised", "running", "strapped"):
        bay.answer_all(stage)
    page.reload()
    expect(page.locator("#ready")).to_contain_text("Ready for the rollers.")
    expect(page.locator("#verdict .word strong")).to_have_text("May run, with advice")

    # What is told of it.
    page.get_by_role("button", name="Chat").click()
    expect(page.locator("#message")).to_have_value(re.compile("^Your car can be run at full load"))
    report = page.request.get(f"{bay.base}{page.locator('#report-html').get_attribute('href')}")
    assert "Mended, dry." in report.text()
    paper = page.request.get(f"{bay.base}{page.locator('#report-pdf').get_attribute('href')}")
    assert paper.body().startswith(b"%PDF-")
    card = page.request.get(f"{bay.base}{page.locator('#watch-html').get_attribute('href')}")
    assert "Lift off at once" in card.text()

    page.locator("#likely input").first.check()
    page.locator("#was-run").check()
    page.get_by_role("button", name="Keep the outcome").click()
    expect(page.locator("#settled")).to_contain_text("settled")
    kept = bay.api(f"/v1/cases/{bay.case}")
    assert kept["state"] == "settled"
    assert kept["outcome"]["was_run"] is True
    assert len(bay.api(f"/v1/cases/{bay.case}/photographs")["photographs"]) == 1


def test_ten_minutes_and_nothing_wider_than_the_phone(bay: Bay) -> None:
    open_case(bay, "B-2")
    page = bay.page
    with page.expect_response(lambda r: r.url.endswith("/v1/inspections")):
        page.get_by_role("button", name="10 min").click()
    expect(page.locator("#left")).to_contain_text("left for later")
    page.set_viewport_size({"width": 360, "height": 740})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    buttons = page.locator(".say button:visible")
    assert all(
        (buttons.nth(i).bounding_box() or {"height": 0})["height"] >= 44 for i in range(buttons.count())
    )


def test_what_was_typed_is_kept_while_there_is_no_connection(bay: Bay) -> None:
    open_case(bay, "B-3")
    page = bay.page
    box = bay.unfold(FUEL)
    box.locator("textarea").fill("a long note")
    page.context.set_offline(True)
    box.get_by_role("button", name="Good", exact=True).click()
    expect(page.locator("#service")).to_contain_text("No connection")
    expect(box.locator("textarea")).to_have_value("a long note")
    page.context.set_offline(False)
    expect(bay.point(FUEL).locator(".mark")).to_have_text("Good", timeout=15_000)
    history = bay.api(f"/v1/cases/{bay.case}")["history"]
    assert [entry["answers"][0]["note"] for entry in history if entry["kind"] == "check"] == ["a long note"]


def test_a_call_goes_on_in_the_bay(bay: Bay) -> None:
    page = bay.page
    page.goto(f"{bay.base}/")
    expect(page.locator("#fact-induction")).to_be_attached()
    page.locator("#words").fill("tank bubbles under boost")
    expect(page.locator("#heard li").first).to_be_visible()
    page.locator("#words").press("Enter")
    expect(page.locator("#known li:not(.hint)").first).to_be_visible()
    page.get_by_role("button", name="To the bay").click()
    page.wait_for_url("**/bay#*")
    expect(page.locator("#known")).to_contain_text("tank bubbles", ignore_case=True)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_no_violations(browser: Browser, service: str, size: dict[str, int], dark: bool) -> None:
    context = browser.new_context(
        viewport={"width": size["width"], "height": size["height"]}, color_scheme="dark" if dark else "light"
    )
    page = context.new_page()
    made = Bay(page, service)
    page.goto(f"{service}/bay")
    expect(page.locator("#cases li").first).to_be_visible()
    check(page)
    open_case(made, "B-4")
    case = made.case
    made.answer(FUEL, "Mend")
    for summary in page.locator("main summary, .verdict summary").all():
        if summary.is_visible():
            summary.click()
    check(page)
    page.goto(f"{service}/v1/cases/{case}/report.html")
    check(page)
    page.goto(f"{service}/v1/cases/{case}/watch-list.html")
    check(page)
    assert made.errors == []
    context.close()
