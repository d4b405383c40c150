"""The section for readings and logs: forms, errors at their fields, results taken down, a log corrected."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from engine.measures.catalogue import measures
from tests.desk.browser import DESKTOP, PHONE, opened
from tests.desk.test_accessibility import LEVELS

EXAMPLE = Path(__file__).parents[2] / "docs" / "examples" / "log_fuel_reference.csv"
READING_TIME = 60_000


def open_readings(page: Page, measure: str) -> None:
    page.locator("#readings-box > summary").click()
    expect(page.locator("#measure option")).to_have_count(len(measures()))
    page.select_option("#measure", measure)


def test_a_reading_is_calculated_and_taken_down(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        page = desk.page
        open_readings(page, "joint_thrust")
        picture = page.locator("#measure-form img.scheme")
        expect(picture).to_be_visible()
        assert picture.evaluate("image => image.complete && image.naturalWidth > 0")
        page.get_by_role("button", name="Fill in an example").click()
        page.get_by_role("button", name="Calculate").click()
        expect(page.locator("#measured .results")).to_contain_text("475")
        page.get_by_role("button", name="Take down").click()
        assert desk.known()["Pipe end has no bead"] == "there"
        expect(page.locator("#verdict .word strong")).to_have_text("Mend first")
        page.get_by_role("button", name="Undo").click()
        assert desk.known() == {}


def test_a_reading_goes_to_the_triage_as_a_reading(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        page = desk.page
        open_readings(page, "boost_leak")
        page.get_by_role("button", name="Fill in an example").click()
        page.get_by_role("button", name="Calculate").click()
        page.get_by_role("button", name="Take down").click()
        row = page.locator("#known li", has_text="boost leak rate")
        expect(row).to_contain_text("kPa/min")
        row.get_by_role("button", name="Drop reading").click()
        expect(row).to_have_count(0)


def test_what_is_wrong_stands_at_its_field(browser: Browser, server: str) -> None:
    with opened(browser, server) as desk:
        page = desk.page
        open_readings(page, "joint_thrust")
        page.fill("#reading-boost", "22 psi")
        page.get_by_role("button", name="Calculate").click()
        expect(page.locator("#reading-boost-wrong")).to_contain_text("gauge")
        expect(page.locator("#reading-diameter-wrong")).to_contain_text("needed")
        expect(page.locator("#reading-boost")).to_have_attribute("aria-invalid", "true")
        expect(page.locator("#reading-diameter")).to_be_focused()
        expect(page.locator("#measured")).to_be_empty()


@pytest.mark.parametrize("measure", list(measures()))
def test_every_form_works_its_example(browser: Browser, server: str, measure: str) -> None:
    with opened(browser, server, PHONE) as desk:
        page = desk.page
        open_readings(page, measure)
        page.get_by_role("button", name="Fill in an example").click()
        page.get_by_role("button", name="Calculate").click()
        expect(page.locator("#measured .results td").first).to_be_visible()
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0


def test_a_log_is_read_corrected_and_taken_down(browser: Browser, server: str, tmp_path: Path) -> None:
    with opened(browser, server) as desk:
        page = desk.page
        page.locator("#log-box > summary").click()
        page.set_input_files("#log-file", EXAMPLE)
        expect(page.locator("#log-state")).to_contain_text("beyond a limit", timeout=READING_TIME)
        shown = page.locator("#log-shows .implied li")
        expect(shown.filter(has_text="Fuel pressure does not follow boost")).to_be_visible()
        plot = page.locator("img.plot").first
        plot.scroll_into_view_if_needed()
        assert plot.evaluate("image => image.complete && image.naturalWidth > 100")
        page.get_by_role("button", name="Take down what it shows").click()
        expect(page.locator("#causes .name").first).to_contain_text("Regulator reference hose")

        page.locator("#log-shows summary", has_text="Columns").click()
        column = page.get_by_role("group", name="Column Fuel pressure").locator("select").first
        column.select_option("")
        with page.expect_download() as kept:
            page.get_by_role("button", name="Save these columns").click()
        saved = tmp_path / "columns.json"
        kept.value.save_as(saved)
        channels = {c["column"]: c.get("channel") for c in json.loads(saved.read_text())["columns"]}
        assert next(v for k, v in channels.items() if k.startswith("Fuel pressure")) is None
        page.get_by_role("button", name="Read again with these").click()
        expect(shown.filter(has_text="Fuel pressure does not follow boost")).to_have_count(
            0, timeout=READING_TIME
        )
        expect(shown.filter(has_text="Lean under boost")).to_be_visible()


def test_a_file_that_is_no_log_is_told(browser: Browser, server: str, tmp_path: Path) -> None:
    with opened(browser, server) as desk:
        page = desk.page
        wrong = tmp_path / "log.zip"
        wrong.write_bytes(b"PK\x03\x04" + b"x" * 100)
        page.locator("#log-box > summary").click()
        page.set_input_files("#log-file", wrong)
        expect(page.locator("#log-state")).to_contain_text("unpack it first", timeout=READING_TIME)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_no_violations(browser: Browser, server: str, size: dict[str, int], dark: bool) -> None:
    with opened(browser, server, size, dark) as desk:
        page = desk.page
        open_readings(page, "joint_thrust")
        page.get_by_role("button", name="Calculate").click()
        expect(page.locator("#reading-boost-wrong")).not_to_be_empty()
        options = {"runOnly": {"type": "tag", "values": LEVELS}}
        results = Axe().run(page, options=options)
        assert results.violations_count == 0, results.generate_report()
        page.get_by_role("button", name="Fill in an example").click()
        page.get_by_role("button", name="Calculate").click()
        expect(page.locator("#measured .results")).to_be_visible()
        page.locator("#log-box > summary").click()
        page.set_input_files("#log-file", EXAMPLE)
        expect(page.locator("#log-state")).to_contain_text("beyond a limit", timeout=READING_TIME)
        for summary in page.locator("#log-shows summary").all():
            if not summary.evaluate("element => element.parentElement.open"):
                summary.click()
        results = Axe().run(page, options=options)
        assert results.violations_count == 0, results.generate_report()
