"""The HTML report in a browser: what it shows, by which keys, and that nothing of a run can harm it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from harness.page.render import render_page
from harness.story.model import Story
from tests.browser.stories import (
    HOSTILE_SEEN,
    build_empty,
    build_failing,
    build_hostile,
    build_large,
    build_proven,
)

pytestmark = pytest.mark.browser

READY = "performance.getEntriesByName('branchproof-ready').length > 0"
MOST_BYTES = 5_000_000
MOST_EVENTS = 50_000
OPENS_WITHIN_MS = 2000
FRAME_MS = 50
"""Twenty pictures a second: what still looks like one movement."""


class Watched:
    """A page, with what it asked for and complained of."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.route("**", lambda route: route.continue_() if route.request.url.startswith("file:") else route.abort())

    def open(self, stories: Sequence[Story], folder: Path) -> Page:
        """Show the stories from a file, and wait until the page is ready."""
        target = folder / "report.html"
        target.write_text(render_page(stories), "utf-8")
        self.page.goto(target.as_uri())
        self.page.wait_for_function(READY)
        return self.page


@pytest.fixture
def watched(page: Page) -> Iterator[Watched]:
    """A test with it ends with: the page asked for its own file and nothing else, and complained of nothing."""
    found = Watched(page)
    yield found
    assert [url for url in found.requests if not url.endswith("/report.html")] == []
    assert len(found.requests) >= 1
    assert found.complaints == []


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(watched: Watched, tmp_path: Path, scheme: str, width: int) -> None:
    watched.page.emulate_media(color_scheme="dark" if scheme == "dark" else "light", reduced_motion="reduce")
    watched.page.set_viewport_size({"width": width, "height": 844})
    page = watched.open([build_failing(), build_proven()], tmp_path)
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    page.locator(".run:not([hidden]) .ob").first.click()
    expect(page.locator("#evidence")).to_contain_text("as it is on the tape")
    with_panel = Axe().run(page)
    assert with_panel.violations_count == 0, with_panel.generate_report()
    page.keyboard.press("Escape")
    page.get_by_role("tab").nth(1).click()
    without = Axe().run(page)
    assert without.violations_count == 0, without.generate_report()


def test_first_screen_says_it_all_to_who_reads_no_further(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_failing()], tmp_path)
    first = page.locator(".verdict")
    expect(first.get_by_role("heading", level=1)).to_have_text("Do not ship")
    for said in ("NOT PROVEN kiosk / pier", "tunnel_up: refused", "Not proven by this run (1 open, 1 do not apply)",
                 "The two ends have different keys.", "Compare the keys.", "fast (hardware waits compressed)",
                 "30 November 2026", "1 fault was put upon this run on purpose"):  # fmt: skip
        expect(first).to_contain_text(said)
    box = first.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 900


def test_without_scripts_all_but_picture_list_and_plots_is_there(browser: Browser, tmp_path: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    target = tmp_path / "report.html"
    target.write_text(render_page([build_failing(), build_proven()]), "utf-8")
    page.goto(target.as_uri())
    expect(page.get_by_role("heading", level=1, name="Do not ship")).to_be_visible()
    expect(page.get_by_role("heading", level=1, name="Ship", exact=True)).to_be_visible()
    expect(page.get_by_text("Scripts are off, or").first).to_be_visible()
    expect(page.get_by_role("rowheader", name="tunnel up").first).to_be_visible()
    expect(page.locator("[data-grid]").first).to_be_hidden()
    context.close()


def _read_view(page: Page) -> tuple[float, float]:
    found = re.match(r"(-?[\d.]+) s to (-?[\d.]+) s", page.locator("[data-view]").first.inner_text())
    assert found
    return float(found[1]), float(found[2])


def test_picture_zooms_and_moves_by_keys_buttons_wheel_and_drag(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_proven()], tmp_path)
    chart = page.locator("[data-chart]")
    whole = _read_view(page)
    chart.focus()
    page.keyboard.press("+")
    page.wait_for_function(f"document.querySelector('[data-view]').textContent.startsWith('{whole[0]:.2f}') === false")
    near = _read_view(page)
    assert near[1] - near[0] == pytest.approx((whole[1] - whole[0]) / 2, abs=0.02)
    for press, is_later in (("ArrowRight", True), ("ArrowLeft", False)):
        before = _read_view(page)
        page.keyboard.press(press)
        _wait_for_other(page, before)
        assert (_read_view(page)[0] > before[0]) is is_later
    _change(page, lambda: page.get_by_role("button", name="Zoom out").click())
    assert _read_view(page) == whole
    chart.focus()
    box = chart.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 600, box["y"] + 100)
    _change(page, lambda: page.mouse.wheel(0, -300))
    near = _read_view(page)
    assert near[1] - near[0] < whole[1] - whole[0]
    page.mouse.down()
    page.mouse.move(box["x"] + 500, box["y"] + 100)
    page.mouse.up()
    _wait_for_other(page, near)
    assert _read_view(page)[0] > near[0]
    _change(page, lambda: page.keyboard.press("0"))
    assert _read_view(page) == whole
    _change(page, lambda: page.get_by_label("Zoom to").select_option("tunnel_up"))
    since, until = _read_view(page)
    assert 1.8 < since < 2.0
    assert 4.1 < until < 4.3


def _change(page: Page, act: object) -> None:
    before = _read_view(page)
    assert callable(act)
    act()
    _wait_for_other(page, before)


def _wait_for_other(page: Page, view: tuple[float, float]) -> None:
    text = f"{view[0]:.2f} s to {view[1]:.2f} s"
    page.wait_for_function("text => !document.querySelector('[data-view]').textContent.startsWith(text)", arg=text)


def test_the_wheel_scrolls_the_page_until_the_picture_is_in_focus(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_proven()], tmp_path)
    whole = _read_view(page)
    page.locator("[data-chart]").hover()
    before = page.evaluate("scrollY")
    page.mouse.wheel(0, 200)
    page.wait_for_function("before => scrollY > before", arg=before)
    assert _read_view(page) == whole


def test_events_are_found_by_text_lane_kind_and_stage(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_proven()], tmp_path)
    count = page.locator("[data-count]")
    expect(count).to_have_text("14 of 14 events")
    page.keyboard.press("/")
    expect(page.get_by_label("Find in events").last).to_be_focused()
    page.keyboard.type("CPIN")
    expect(count).to_have_text("2 of 14 events")
    page.keyboard.type(" never")
    expect(count).to_have_text("0 of 14 events")
    expect(page.locator("[data-rows]")).to_contain_text("Nothing of that was seen.")
    page.locator("[data-find]").fill("")
    page.locator("[data-lane]").select_option("hq")
    expect(count).to_have_text("3 of 14 events")
    page.locator("[data-kind]").select_option("ike")
    expect(count).to_have_text("2 of 14 events")
    page.locator("[data-decides]").check()
    expect(count).to_have_text("1 of 14 events")
    expect(page.locator("[data-rows]")).to_contain_text("child.installed")


def test_an_event_opens_its_evidence_by_keys_alone(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_proven()], tmp_path)
    grid = page.get_by_role("grid", name="Events")
    grid.focus()
    page.keyboard.press("Home")
    for _ in range(5):
        page.keyboard.press("ArrowDown")
    chosen = grid.get_attribute("aria-activedescendant")
    expect(page.locator(f"#{chosen}")).to_have_attribute("aria-selected", "true")
    page.keyboard.press("Enter")
    panel = page.locator("#evidence")
    expect(panel).to_be_focused()
    for said in ("Observation 4", "< +CPIN: READY", "AT line", "obs 4", '"kind": "<"', "> AT+CPIN?"):
        expect(panel).to_contain_text(said)
    page.keyboard.press("Escape")
    expect(panel).to_be_hidden()
    expect(grid).to_be_focused()
    page.locator("[data-chart]").focus()
    page.keyboard.press("n")
    page.keyboard.press("Enter")
    expect(panel).to_contain_text("Observation 5")


def test_a_log_line_shows_where_it_is_to_be_found(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_proven()], tmp_path)
    page.locator("[data-find]").fill("IKE_AUTH")
    page.locator(".row").first.click()
    expect(page.locator("#evidence")).to_contain_text("nodes/hq-gateway.log:3")
    expect(page.locator("#evidence pre")).to_have_count(0)


def test_a_click_on_an_event_in_the_picture_opens_its_evidence(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_proven()], tmp_path)
    chart = page.locator("[data-chart]")
    since, until = _read_view(page)
    width = chart.evaluate("e => e.clientWidth")
    gutter, stages, lane = 160, 24 + 4 * 18 + 10, 36  # as waterfall.js lays it out
    x = gutter + (6.0 - since) / (until - since) * (width - gutter - 6)
    chart.click(position={"x": x, "y": stages + 5 * lane + lane / 2})
    expect(page.locator("#evidence")).to_contain_text("Observation 10")
    expect(page.locator("#evidence")).to_contain_text("echo.received")


def test_a_run_without_events_says_so(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_empty()], tmp_path)
    expect(page.locator("[data-count]")).to_have_text("0 of 0 events")
    page.locator("[data-chart]").focus()
    for key in ("+", "n", "Enter", "0"):
        page.keyboard.press(key)
    expect(page.locator("#evidence")).to_be_hidden()


def test_moment_shows_what_was_up_then(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_proven()], tmp_path)
    bearer = page.locator(".land .label[data-part='bearer']")
    expect(bearer).to_have_text("radio bearer: up")
    slider = page.get_by_label("Moment")
    for at_s, state in (("5.2", "down"), ("1.5", "not seen"), ("3", "up")):
        slider.fill(at_s)
        expect(bearer).to_have_text(f"radio bearer: {state}")
    expect(page.locator("[data-moment-out]")).to_have_text("3.00 s, during tunnel_up")
    page.locator(".ob[data-number='8']").first.click()
    expect(page.locator("[data-moment-out]")).to_contain_text("4.10 s")


def test_plots_are_drawn_and_each_has_its_table(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_proven()], tmp_path)
    expect(page.locator(".plot canvas")).to_have_count(2)
    expect(page.locator("table.points")).to_have_count(2)
    page.get_by_text("3 points as a table").click()
    expect(page.get_by_role("cell", name="53.5")).to_be_visible()


def test_several_runs_are_compared_and_chosen_by_tabs(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_proven(), build_failing()], tmp_path)
    stages = page.get_by_role("row", name="tunnel up tunnel_up").first
    expect(stages).to_contain_text("holds 2.10 s")
    expect(stages).to_contain_text("fails")
    expect(page.get_by_text("Checks that are not the same in all runs (1)")).to_be_visible()
    expect(page.locator("#r1")).to_be_hidden()
    page.get_by_role("tab").first.focus()
    page.keyboard.press("ArrowRight")
    expect(page.get_by_role("tab").nth(1)).to_have_attribute("aria-selected", "true")
    expect(page.locator("#r0")).to_be_hidden()
    expect(page.locator("#r1 .verdict")).to_contain_text("Do not ship")
    expect(page.locator("#r1 [data-count]")).to_have_text("14 of 14 events")


def test_hostile_words_are_text_wherever_they_stand(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_hostile(), build_hostile()], tmp_path)
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    page.locator(".run:not([hidden]) .ob").first.click()
    expect(page.locator("#evidence pre")).to_contain_text(HOSTILE_SEEN.replace("\\x1b", "\\u001b"))
    expect(page.locator("#evidence .told")).to_contain_text(HOSTILE_SEEN)
    page.locator("[data-chart]:visible").focus()
    page.keyboard.press("n")
    assert page.evaluate("window.harmed") is None
    assert page.locator("img").count() == 0
    assert page.locator("script").count() == 5  # data of two runs, twice, and the page's own
    shown = page.locator("main").inner_text()
    assert shown.count(HOSTILE_SEEN) > 100
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", page.content())
    assert "49" not in shown.replace(HOSTILE_SEEN, "")  # {{ 7*7 }} is no template's


@pytest.mark.parametrize("width", [360, 390, 720])
def test_no_page_is_wider_than_the_screen(watched: Watched, tmp_path: Path, width: int) -> None:
    watched.page.set_viewport_size({"width": width, "height": 780})
    page = watched.open([build_hostile(), build_failing()], tmp_path)
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_it_prints_light_and_whole(watched: Watched, tmp_path: Path) -> None:
    watched.page.emulate_media(color_scheme="dark")
    page = watched.open([build_failing(), build_proven()], tmp_path)
    printed = page.pdf()
    assert printed.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) >= 2  # each run begins a page
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(29, 39, 51)"
    for pressed in ("[data-tools]", "[data-grid]", ".contents", ".tabs"):
        expect(page.locator(pressed).first).to_be_hidden()
    for run in ("#r0", "#r1"):  # the tab that is not chosen, too
        expect(page.locator(f"{run} .stages")).to_be_visible()
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    expect(page.locator("#r1 .claims").first).to_be_visible()


def test_reduced_motion_is_heeded(watched: Watched, tmp_path: Path) -> None:
    watched.page.emulate_media(reduced_motion="reduce")
    page = watched.open([build_proven()], tmp_path)
    assert page.evaluate("getComputedStyle(document.documentElement).scrollBehavior") == "auto"


def test_fifty_thousand_events_fit_and_only_rows_in_sight_are_made(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_large(MOST_EVENTS)], tmp_path)
    assert (tmp_path / "report.html").stat().st_size < MOST_BYTES
    expect(page.locator("[data-count]")).to_have_text("50000 of 50000 events")
    page.get_by_role("grid").focus()
    page.keyboard.press("End")
    expect(page.locator("[data-rows]")).to_contain_text("number=49999")
    assert page.locator(".row").count() < 60
    page.keyboard.press("Enter")
    expect(page.locator("#evidence")).to_contain_text("Observation 49999")
    page.keyboard.press("Escape")
    page.locator("[data-find]").fill("number=4242 address")
    expect(page.locator("[data-count]")).to_have_text("1 of 50000 events")


_FRAMES = """async () => {
  const chart = document.querySelector('[data-chart]'), took = [];
  chart.focus();
  for (const key of ['+', '+', 'ArrowRight', '+', 'ArrowLeft', '-', 'ArrowRight', '-', '-', '0', '+', '0']) {
    const since = performance.now();
    chart.dispatchEvent(new KeyboardEvent('keydown', {key, bubbles: true}));
    await new Promise(requestAnimationFrame);
    await new Promise(requestAnimationFrame);
    took.push(performance.now() - since);
  }
  return took.sort((a, b) => a - b)[took.length >> 1];
}"""
"""Median of how long it takes from a key to the second frame after it: the first one draws."""


@pytest.mark.alone  # it measures time: nothing else may run beside it
def test_fifty_thousand_events_open_soon_and_move_smoothly(watched: Watched, tmp_path: Path) -> None:
    page = watched.open([build_large(MOST_EVENTS)], tmp_path)
    ready_ms = page.evaluate("performance.getEntriesByName('branchproof-ready')[0].startTime")
    assert ready_ms < OPENS_WITHIN_MS
    assert page.evaluate(_FRAMES) < 2 * FRAME_MS
