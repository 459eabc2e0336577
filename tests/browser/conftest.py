"""One headless browser a module, and pages of it that may ask nothing of a network."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, sync_playwright


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """This machine's chromium, else Playwright's own."""
    with sync_playwright() as play:
        found = play.chromium.launch(executable_path=shutil.which("chromium") or None, args=["--no-sandbox"])
        yield found
        found.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page of its own context, 1280 wide. A test says itself what the page may ask for."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    yield context.new_page()
    context.close()
