"""How large the report of a long run is, how soon it opens, and how smoothly it moves. I/O: files, a headless browser.

A story of 50,000 events made by hand (tests/browser/stories.py), opened from its file several times, each in a page of
its own. The browser's own clock says when the page had drawn its picture, and how far apart its frames were while it
was scrolled, and the picture zoomed, once a frame.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Error, Page, sync_playwright

from harness.page.render import render_page
from tests.bench.figures import BenchError, Result, at_most, report
from tests.bench.stats import find_median, find_percentile
from tests.browser.stories import build_large

EVENTS = 50_000
LOADS = 5
MOST_MB, OPEN_S, FRAME_MS = 5.0, 2.0, 50.0
"""Targets. 50 ms: twenty pictures a second still look like one movement."""
READY = "performance.getEntriesByName('branchproof-ready').length > 0"
READY_MS = "performance.getEntriesByName('branchproof-ready')[0].startTime"
_FRAMES = """async (what) => {
  const chart = document.querySelector('[data-chart]'), gaps = [];
  const keys = ['+', '+', 'ArrowRight', '+', 'ArrowLeft', '-', '-', 'ArrowRight', '-', '0'];
  chart.focus();
  window.scrollTo(0, 0);
  let last = await new Promise(requestAnimationFrame);
  for (let n = 0; n < 120; n++) {
    if (what === 'scroll') window.scrollBy(0, n < 60 ? 40 : -40);
    else chart.dispatchEvent(new KeyboardEvent('keydown', {key: keys[n % keys.length], bubbles: true}));
    const now = await new Promise(requestAnimationFrame);
    gaps.push(now - last);
    last = now;
  }
  return gaps;
}"""


def measure(folder: Path, say: Callable[[str], None]) -> Result:
    """Render, open, scroll and zoom. Raises: BenchError where no browser starts."""
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / "report.html"
    story = build_large(EVENTS)
    began_s = time.monotonic()
    target.write_text(render_page([story]), "utf-8")
    rendered_s = time.monotonic() - began_s
    size_mb = target.stat().st_size / 1e6
    say(f"a page of {size_mb:.1f} MB, opened {LOADS} times")
    with sync_playwright() as play:
        try:
            browser = play.chromium.launch(executable_path=shutil.which("chromium") or None, args=["--no-sandbox"])
        except Error as error:
            raise BenchError(f"expected a Chromium that starts, saw {error}") from error
        opened_s = [_open(browser, target) for _ in range(LOADS)]
        frames = _move(browser, target)
        version = browser.version
        browser.close()
    figures = [
        at_most("size", size_mb, "MB", MOST_MB),
        report("rendered in", rendered_s, "s"),
        at_most(f"open, median of {LOADS}", find_median(opened_s), "s", OPEN_S),
        report("open, worst", max(opened_s), "s"),
    ]
    for what, gaps_ms in frames.items():
        figures.append(report(f"frame while {what}, median", find_median(gaps_ms), "ms"))
        figures.append(at_most(f"frame while {what}, 95 of 100", find_percentile(gaps_ms, 95), "ms", FRAME_MS))
    note = f"{EVENTS} events, headless Chromium {version}, 1280 by 900"
    return Result("report", "the report of a long run, in a browser", tuple(figures), (note,),
                  {"opened_s": opened_s, "frames_ms": frames})  # fmt: skip


def _load(browser: Browser, target: Path) -> Page:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(target.resolve().as_uri())
    page.wait_for_function(READY)
    return page


def _open(browser: Browser, target: Path) -> float:
    """Return the seconds from the navigation to the page's word that all is drawn."""
    page = _load(browser, target)
    ready_ms = float(page.evaluate(READY_MS))
    page.close()
    return ready_ms / 1000


def _move(browser: Browser, target: Path) -> dict[str, list[float]]:
    """Return the milliseconds between frames while the page is scrolled, and its picture zoomed."""
    page = _load(browser, target)
    found: dict[str, Any] = {f"{what}ing": page.evaluate(_FRAMES, what) for what in ("scroll", "zoom")}
    page.close()
    return found
