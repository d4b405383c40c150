"""``make latency``: from a key on the call desk to what it changes, in real Chromium on loopback."""

from __future__ import annotations

import sys

from playwright.sync_api import Page

from tests.api.serving import served
from tests.desk.browser import chromium, opened

CALLS = (
    "when I give it full boost the tank bubbles like a kettle and it smells of fuel afterwards",
    "oil pressure jumps about at a steady speed and there is oil weeping from the sump gasket",
    "it misfires when the boost comes in, idles lumpy and there is black smoke on a pull",
    "coolant goes down between checks, white sweet smoke and bubbles in the header tank",
)
AIM_MS = 100.0


PRESS = """([key, text]) => new Promise(done => {
    const field = document.getElementById('words');
    const mark = key ? 'answer-shown' : 'heard-shown';
    const before = performance.getEntriesByName(mark).length;
    const began = performance.now();
    const look = () => {
        if (performance.getEntriesByName(mark).length > before) {
            requestAnimationFrame(() => setTimeout(() => done(performance.now() - began)));
        } else if (performance.now() - began > 3000) done(3000);
        else setTimeout(look, 1);
    };
    if (key) field.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true }));
    else { field.value = text; field.dispatchEvent(new InputEvent('input', { bubbles: true })); }
    look();
})"""


def measure(page: Page, rounds: int) -> tuple[list[float], list[float]]:
    """Return ms from each typed letter to its candidates, and from each key that accepts to its answer."""
    typed: list[float] = []
    taken: list[float] = []
    for _ in range(rounds):
        for call in CALLS:
            typed += [page.evaluate(PRESS, [None, call[:end]]) for end in range(8, len(call) + 1)]
            lines = min(3, page.locator("#heard li").count())
            taken += [page.evaluate(PRESS, ["Enter", None]) for _ in range(lines)]
            page.get_by_role("button", name="New call").click()
            page.wait_for_timeout(150)
    return typed, taken


def quantile(values: list[float], share: float) -> float:
    """Return the value that this share of the values does not exceed."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def main() -> int:
    """Print the quantiles; leave with 1 if the aim is missed."""
    with served() as base, chromium() as browser, opened(browser, base) as desk:
        measure(desk.page, 1)
        typed, taken = measure(desk.page, 2)
    for name, values in (
        ("letter typed to candidates painted", typed),
        ("key to whole answer painted", taken),
    ):
        print(
            f"{name:36} n {len(values):4}   p50 {quantile(values, 0.5):6.1f} ms   "
            f"p95 {quantile(values, 0.95):6.1f} ms   p99 {quantile(values, 0.99):6.1f} ms  (aim: p95 < 100)"
        )
    return int(max(quantile(typed, 0.95), quantile(taken, 0.95)) >= AIM_MS)


if __name__ == "__main__":
    sys.exit(main())
