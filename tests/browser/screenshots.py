"""`python -m tests.browser.screenshots`: make the README's pictures anew, of the runs that come with the package.

In tests/browser/pictures: a report's first screen, a report with an event's evidence open, and the live page of both
runs. Headless Chromium, 1280 wide, light; the page's server on loopback.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

from playwright.sync_api import Page, expect, sync_playwright

from harness.commands.show import RECORDED
from harness.page.render import render_page
from harness.show.showing import Show
from harness.story.model import Story
from harness.telling import tell_run
from tests.browser.test_report_page import READY
from tests.browser.test_show_page import TOKEN, Served, order, wait_until

FOLDER = Path(__file__).resolve().parent / "pictures"
PICTURES = ("report.png", "report-evidence.png", "show.png", "show-failing.png")
MOST_BYTES = 250_000
"""Of one picture: whoever clones the project bears them all."""
FIRST_SCREEN, PANEL, PROJECTOR = ({"width": 1280, "height": height} for height in (900, 800, 720))
PATIENCE_MS = 120_000
"""For a tape to be read and judged on a slow machine: it protects us, and judges nothing."""


def main() -> int:
    """Make all of them; print their sizes. Returns 1 where one is too large."""
    FOLDER.mkdir(exist_ok=True)
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium") or None, args=["--no-sandbox"])
        context = browser.new_context(color_scheme="light", reduced_motion="reduce")
        context.set_default_timeout(PATIENCE_MS)
        failing = tell_run(RECORDED / "failing")
        mended_s = next(e.at_s for e in failing.events if e.text.startswith("mend "))
        _picture_reports(context.new_page(), failing)
        for name, file in (("proven", "show.png"), ("failing", "show-failing.png")):
            _picture_show(context.new_page(), name, mended_s, FOLDER / file)
        browser.close()
    sizes: Mapping[str, int] = {name: (FOLDER / name).stat().st_size for name in PICTURES}
    for name, size in sizes.items():
        print(f"{FOLDER / name}  {size} bytes")
    return int(max(sizes.values()) > MOST_BYTES)


def _picture_reports(page: Page, story: Story) -> None:
    """The failing run's first screen, and what the gateway said when it refused, as it is on the tape."""
    with tempfile.TemporaryDirectory(prefix="branchproof-pictures-") as folder:
        target = Path(folder) / "report.html"
        target.write_text(render_page([story]), "utf-8")
        page.set_viewport_size(FIRST_SCREEN)
        page.goto(target.as_uri())
        page.wait_for_function(READY)
        page.screenshot(path=FOLDER / "report.png")
        page.set_viewport_size(PANEL)
        page.get_by_label("Zoom to").select_option("tunnel_up")
        refused = next(e.number for e in story.events if "sa.refused" in e.text and e.number is not None)
        page.locator("[data-find]").fill("sa.refused")
        page.locator(".row").first.click()
        expect(page.locator("#evidence")).to_contain_text(f"Observation {refused}")
        page.locator("[data-chart]").evaluate("e => e.closest('section').scrollIntoView()")
        page.screenshot(path=FOLDER / "report-evidence.png")
    page.close()


def _picture_show(page: Page, name: str, mended_s: float, target: Path) -> None:
    """The live page: of a run that came up as headquarters answers its first ping; of one that did not, its verdict."""
    show = Show({one: RECORDED / one for one in ("proven", "failing")}, even=False)
    show.open_run(RECORDED / name)
    one = Served(show)
    try:
        page.set_viewport_size(PROJECTOR)
        page.goto(f"{one.base}?token={TOKEN}")
        page.locator("#go").click()
        expect(page.locator("body")).to_have_attribute("data-phase", "running")
        order(page, one, "seek", at_s=1e6)
        expect(page.locator("body")).to_have_attribute("data-phase", "over")
        if name == "proven":
            _go_to_ping(page, one)
        else:
            _go_to_verdict(page, one, mended_s)
        page.screenshot(path=target)
    finally:
        page.close()
        one.stop()
        show.close()


def _go_to_ping(page: Page, one: Served) -> None:
    """From when the first ping was sent, on until its answer is on the page."""
    at_s = one.scene(page)["first_ping"]["at_s"]
    order(page, one, "seek", at_s=at_s)
    wait_until(page, f"Number(document.getElementById('clock').textContent) < {at_s + 60}")
    expect(page.locator(".plate")).to_contain_text("HQ answered")
    order(page, one, "pause")
    expect(page.locator("body")).to_have_attribute("data-phase", "paused")


def _go_to_verdict(page: Page, one: Served, mended_s: float) -> None:
    """As it stood a second before the fault was taken away, all judged by then."""
    order(page, one, "seek", at_s=mended_s - 1)
    order(page, one, "pause")
    wait_until(page, f"Number(document.getElementById('clock').textContent) < {mended_s}")
    expect(page.locator("#verdict .decision")).to_have_text("Do not ship")


if __name__ == "__main__":
    sys.exit(main())
