"""The live page as a person meets it, in a browser, against the real server on recorded runs."""

from __future__ import annotations

import json
import re
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, Request, expect

from harness.app import MonotonicClock
from harness.core.model import Plan, TapeEntry
from harness.show.live import LiveShow
from harness.show.server import Server, make_server, open_socket
from harness.show.showing import Show
from tests.unit.told_runs import load, write_folder

pytestmark = pytest.mark.browser
PROVEN, FAILING = "brought_up-pier-kiosk", "no_coverage-pier-kiosk"
TOKEN = "token-of-the-test"
STAGES = 8
LEAST_PX = 16.0
"""Letters on a projector: what the page promises."""
HOSTILE = "</script><img src=x onerror=alert(1)><b>bold</b>\u202e\x1b[2J"
SHOWN = r"</script><img src=x onerror=alert(1)><b>bold</b>\u202e\x1b[2J"
MOST_MS = 15_000
"""For the server to read and judge a tape on a slow machine: it protects us, and judges nothing."""
NETWORKS_CHANGED = "ERR_NETWORK_CHANGED"
"""What Chromium says when it drops requests since an interface came or went: tests with labs do that beside us."""
SIZES = {"projector": (1280, 720), "phone": (390, 844)}


@dataclass
class Seen:
    """What a page did beyond what it shows."""

    base: str
    expected: str
    """Part of a message that the test provokes; empty: none."""
    problems: list[str] = field(default_factory=list)
    drops: int = 0
    """How often the browser dropped a request since this machine's networks changed."""

    def watch(self, page: Page) -> None:
        page.on("console", lambda m: self._note(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: self.problems.append(str(e)))
        page.on("dialog", lambda d: self.problems.append(f"dialog {d.message}"))
        page.on("request", self._check)

    def _note(self, text: str) -> None:
        if NETWORKS_CHANGED in text:
            self.drops += 1
        elif not self.expected or self.expected not in text:
            self.problems.append(text)

    def _check(self, request: Request) -> None:
        if not request.url.startswith(self.base):
            self.problems.append(f"asked {request.url}")


class Served:
    """A show behind the real server, on loopback. Ends what it started."""

    def __init__(self, show: Show, port: int = 0) -> None:
        self.show = show
        self._socket: socket.socket = open_socket(port)
        self.port: int = self._socket.getsockname()[1]
        self.base = f"http://127.0.0.1:{self.port}/"
        self._server: Server = make_server(show, TOKEN, self._socket)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [self._socket]})
        self._thread.start()

    def stop(self) -> None:
        self._server.should_exit = True
        self._thread.join(10)
        assert not self._thread.is_alive()
        self._socket.close()

    def scene(self, page: Page) -> Any:
        return page.request.get(f"{self.base}scene?token={TOKEN}").json()


Open = Callable[..., Served]


@pytest.fixture(autouse=True)
def _patience() -> Iterator[None]:
    expect.set_options(timeout=MOST_MS)
    yield
    expect.set_options(timeout=None)


@pytest.fixture
def open_show(page: Page, tmp_path: Path) -> Iterator[Open]:
    """Serve a recorded run (or a show of one's own) and open the page; a problem that the page had fails the test."""
    served: list[Served] = []
    seen: list[Seen] = []

    def go(
        name: str = PROVEN,
        *,
        plan: Plan | None = None,
        tape: tuple[TapeEntry, ...] = (),
        show: Show | None = None,
        expected: str = "",
    ) -> Served:
        if show is None:
            run = load(name)
            show = Show({name: write_folder(tmp_path / name, plan or run.plan, tape or run.tape)}, even=False)
            show.open_run(tmp_path / name)
        one = Served(show)
        served.append(one)
        seen.append(Seen(one.base, expected))
        seen[-1].watch(page)
        for _ in range(5):  # a page whose parts did not all arrive is loaded again, as a person would
            drops = seen[-1].drops
            page.goto(f"{one.base}?token={TOKEN}")
            if seen[-1].drops == drops:
                break
        expect(page.locator("#stages li")).to_have_count(STAGES + 1)
        return one

    yield go
    problems = [problem for one in seen for problem in one.problems]
    page.close()
    for one in served:
        one.stop()
        one.show.close()
    assert problems == []


def order(page: Page, one: Served, act: str, **more: Any) -> None:
    answer = page.request.post(f"{one.base}act?token={TOKEN}", data={"act": act, **more})
    assert answer.ok, answer.text()


def play(page: Page, one: Served, at_s: float | None = None) -> None:
    """Bring the picture to an instant and hold it there; None: to the end."""
    page.locator("#go").click()
    expect(page.locator("body")).not_to_have_attribute("data-phase", "waiting")
    if at_s is None:
        order(page, one, "seek", at_s=1e6)
        expect(page.locator("body")).to_have_attribute("data-phase", "over")
    else:
        order(page, one, "seek", at_s=at_s)
        wait_until(page, f"Number(document.getElementById('clock').textContent) >= {at_s}")
        order(page, one, "pause")
        expect(page.locator("body")).to_have_attribute("data-phase", "paused")


def wait_until(page: Page, expression: str) -> None:
    """Ask the page until it says yes. Playwright's own way evaluates strings in the page, which the page forbids."""
    for _ in range(MOST_MS // 50):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(50)  # between two looks
    raise AssertionError(expression)


def clock_s(page: Page) -> float:
    return float(page.locator("#clock").inner_text())


def word_of(page: Page, stage: str) -> str:
    return page.locator("#stages li", has_text=stage).locator(".word").inner_text()


# ---------------------------------------------------------------- what is shown


def test_a_run_is_played_to_its_verdict(page: Page, open_show: Open) -> None:
    one = open_show(PROVEN)
    expect(page.locator("#caption")).to_have_text("Press Start, or the space bar.")
    expect(page.locator("#verdict")).to_be_hidden()
    assert page.locator(".stand[data-state=up]").count() == 0
    order(page, one, "speed", speed=10)
    page.locator("#go").click()
    expect(page.locator("#stages li[aria-current=step]")).to_have_count(1)
    expect(page.locator("body")).to_have_attribute("data-phase", "over")
    assert page.locator("#stages li .word").all_inner_texts()[:STAGES] == ["holds"] * STAGES
    scene = one.scene(page)
    expect(page.locator("#verdict .decision")).to_have_text(scene["verdict"]["decision"])
    expect(page.locator("#headline")).to_have_text(scene["headline"])
    expect(page.locator(".plate")).to_have_text(f"HQ answered: {scene['first_ping']['rtt_ms']:.1f} ms")
    assert page.locator(".ping").evaluate("e => getComputedStyle(e).opacity") == "1"
    up = {link["name"] for link in scene["links"] if link["state"] == "up"}
    assert up >= {"radio", "management", "tunnel"}
    assert page.locator(".way-tunnel[data-state=up]").count() == 1
    newest = page.locator("#log li").first
    expect(newest).to_contain_text(scene["messages"][-1]["text"])


def test_a_failing_run_says_what_to_do_on_site(page: Page, open_show: Open) -> None:
    one = open_show(FAILING)
    play(page, one)
    expect(page.locator("#verdict .decision")).to_have_text("Do not ship")
    cause = one.scene(page)["causes"][0]
    for text in (cause["title"], cause["sentence"], cause["at_site"]):
        expect(page.locator("#verdict")).to_contain_text(text)
    assert (word_of(page, "Uplink"), word_of(page, "Tunnel")) == ("fails", "blocked")


def test_what_goes_down_is_seen_without_colours(page: Page, open_show: Open) -> None:
    one = open_show("power_cut_in_service-pier-kiosk")
    play(page, one, 100.0)
    expect(page.locator(".way-word", has_text="management session: down")).to_have_count(1)
    assert page.locator(".cut[data-state=down]").count() >= 1
    shapes = page.locator("#stages .shape path").evaluate_all("all => all.map(e => e.getAttribute('d'))")
    assert all(shapes) and page.locator("#lights b").all_inner_texts() == ["on"] * 4


def test_hostile_text_is_shown_as_text(page: Page, open_show: Open) -> None:
    run = load(PROVEN)
    branch = replace(run.plan.branch, site=HOSTILE, profile=HOSTILE, hostname=HOSTILE)
    tape = tuple(_poison(entry) for entry in run.tape)
    one = open_show(PROVEN, plan=replace(run.plan, branch=branch), tape=tape)
    play(page, one)
    expect(page.locator("#site")).to_have_text(SHOWN)
    expect(page.locator("#log")).to_contain_text(SHOWN)
    assert page.locator("img, #log b, #site b, .top script").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def _poison(entry: TapeEntry) -> TapeEntry:
    seen = entry.observation
    if seen is None or seen.kind != "at.response":
        return entry
    return replace(entry, observation=replace(seen, data={**seen.data, "line": HOSTILE}))


def test_the_page_writes_out_what_would_not_be_seen(page: Page, open_show: Open) -> None:
    open_show()
    found = page.evaluate(
        "t => import('/static/dom.js').then(m => m.plain(t))", "a\x07\u202e\u2028\ue000\U000e0001é\u0301"
    )
    assert found == r"a\x07\u202e\u2028\ue000\U000e0001" + "é\u0301"


# ---------------------------------------------------------------- controls


def test_pause_holds_and_go_on_goes_on(page: Page, open_show: Open) -> None:
    open_show()
    page.locator("#go").click()
    wait_until(page, "Number(document.getElementById('clock').textContent) > 0.5")
    page.locator("#go").click()
    expect(page.locator("#go")).to_have_text("Go on")
    held = clock_s(page)
    page.wait_for_timeout(600)  # nothing may move meanwhile: only time can show it
    assert clock_s(page) == held
    page.locator("#go").click()
    wait_until(page, f"Number(document.getElementById('clock').textContent) > {held + 0.2}")


def test_the_clock_runs_smoothly_between_scenes(page: Page, open_show: Open) -> None:
    one = open_show("power_cut_in_service-pier-kiosk")
    play(page, one, 60.0)  # nothing is on the tape for minutes: scenes come four times a second
    page.locator("#go").click()
    expect(page.locator("#go")).to_have_text("Pause")
    shown, scenes = page.evaluate(
        """token => new Promise(done => {
            const seen = new Set();
            let scenes = 0;
            const events = new EventSource(`/events?token=${token}`);
            events.addEventListener("scene", () => { scenes += 1; });
            const until = performance.now() + 3000;
            const look = () => {
                seen.add(document.getElementById("clock").textContent);
                if (performance.now() < until) return requestAnimationFrame(look);
                events.close();
                done([[...seen].map(Number), scenes]);
            };
            look();
        })""",
        TOKEN,
    )
    assert shown == sorted(shown) and scenes > 2
    assert len(shown) > 1.2 * scenes  # without a clock of its own the page would show one instant a scene


def test_seeking_goes_both_ways_and_keeps_the_marks(page: Page, open_show: Open) -> None:
    one = open_show()
    play(page, one)
    marks = page.locator("#marks i").count()
    assert marks == STAGES
    order(page, one, "speed", speed=0.1)  # it goes on from where it is put
    page.locator("#seek").focus()
    page.keyboard.press("Home")
    expect(page.locator("#clock")).to_have_text(re.compile(r"^0\.\d$"))
    assert word_of(page, "Tunnel") == "waiting" and page.locator("#marks i").count() == marks
    expect(page.locator("#verdict")).to_be_hidden()
    page.keyboard.press("End")
    expect(page.locator("#verdict")).to_be_visible(timeout=MOST_MS)


def test_speed_and_ticks_reach_the_player(page: Page, open_show: Open) -> None:
    one = open_show()
    page.locator("#speed").focus()
    page.keyboard.press("Home")
    expect(page.locator("#speed-word")).to_have_text("0.10×")
    page.locator("#pause-at").check()
    page.locator("#even").check()
    wait_until(page, "document.getElementById('pause-at').checked && document.getElementById('even').checked")
    scene = one.scene(page)
    assert (scene["speed"], scene["pause_at_stages"], scene["even"]) == (0.1, True, True)


def test_it_pauses_between_stages_and_next_goes_to_the_next(page: Page, open_show: Open) -> None:
    one = open_show()
    page.locator("#pause-at").check()
    order(page, one, "speed", speed=10)
    page.locator("#go").click()
    expect(page.locator("#go")).to_have_text("Go on")
    assert (word_of(page, "Power"), word_of(page, "Tunnel")) == ("holds", "waiting")
    page.locator("#next").click()
    expect(page.locator("#stages li", has_text="Uplink").locator(".word")).to_have_text("holds")
    assert word_of(page, "Tunnel") == "waiting"


def test_everything_can_be_done_with_keys(page: Page, open_show: Open) -> None:
    one = open_show()
    page.keyboard.press(" ")
    expect(page.locator("#go")).to_have_text("Pause")
    page.keyboard.press(" ")
    expect(page.locator("#go")).to_have_text("Go on")
    page.keyboard.press("n")
    page.keyboard.press("n")
    wait_until(page, "document.querySelectorAll('#stages .word')[1].textContent === 'holds'")
    before = one.scene(page)["at_s"]
    page.keyboard.press("ArrowRight")
    wait_until(page, f"Number(document.getElementById('clock').textContent) > {before + 4}")
    page.keyboard.press("ArrowLeft")
    wait_until(page, f"Number(document.getElementById('clock').textContent) < {before + 4}")
    page.keyboard.press("s")
    assert page.evaluate("document.activeElement.id") == "speed"
    reached = []
    for _ in range(30):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id"))
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert reached[-1] == "" or outline != "none", reached[-1]
    assert {"go", "next", "again", "seek", "speed", "pause-at", "even", "tab-log", "pane-log"} <= set(reached)


def test_only_what_may_be_done_is_enabled(page: Page, open_show: Open) -> None:
    one = open_show()
    expect(page.locator("#next")).to_be_disabled()
    expect(page.locator("#seek")).to_be_disabled()
    play(page, one, 5.0)
    expect(page.locator("#next")).to_be_enabled()
    expect(page.locator("#seek")).to_be_enabled()
    page.locator("#tab-bench").click()
    expect(page.locator("#bench-note")).to_have_text("This is a recorded run: there is no bench to act on.")
    expect(page.locator("[data-act=cut_power]")).to_be_hidden()


def test_a_refused_order_is_told_in_the_servers_words(page: Page, open_show: Open) -> None:
    open_show(expected="status of 400")
    page.locator("#next").evaluate("e => { e.disabled = false; e.click(); }")
    expect(page.locator("#refused")).to_have_text("Not done: next_stage is not possible now")


def test_a_recorded_run_is_chosen_from_the_list(page: Page, open_show: Open, tmp_path: Path) -> None:
    runs = {name: write_folder(tmp_path / name, load(name).plan, load(name).tape) for name in (PROVEN, FAILING)}
    show = Show(runs, even=False)
    show.open_run(runs[PROVEN])
    one = open_show(show=show)
    page.locator("#runs").select_option(FAILING)
    wait_until(page, "document.body.dataset.phase === 'waiting'")
    assert one.scene(page)["run"] == FAILING
    play(page, one)
    expect(page.locator("#verdict .decision")).to_have_text("Do not ship")


def test_faults_are_searched_and_chosen_before_a_live_run(page: Page, open_show: Open, tmp_path: Path) -> None:
    show = LiveShow(load(PROVEN).plan, {}, tmp_path, MonotonicClock())
    one = open_show(show=show)
    page.locator("#tab-bench").click()
    expect(page.locator("[data-act=cut_power]")).to_be_hidden()
    faults = page.locator(".fault:visible")
    scene = one.scene(page)
    assert faults.count() == len(scene["faults"])
    impossible = next(f for f in scene["faults"] if f["why_not"])
    row = page.locator(".fault", has_text=impossible["why_not"]).first
    expect(row.locator("button")).to_be_disabled()
    page.locator("#fault-search").fill("pre-shared key")
    expect(faults).to_have_count(1)
    faults.locator("button").click()
    expect(page.locator("#trouble")).to_have_text("Put upon it on purpose: wrong pre-shared key")
    expect(faults.locator("button")).to_contain_text("Leave out")
    faults.locator("button").click()
    expect(page.locator("#trouble")).to_be_hidden()


# ---------------------------------------------------------------- the connection


def test_a_lost_connection_is_told_and_tried_again(page: Page, open_show: Open) -> None:
    one = open_show(expected="net::ERR_")
    one.stop()
    expect(page.locator("#lost")).to_be_visible()
    expect(page.locator("#lost")).to_contain_text("Trying again")
    again = Served(one.show, one.port)
    try:
        expect(page.locator("#lost")).to_be_hidden(timeout=MOST_MS)
    finally:
        page.close()
        again.stop()


# ---------------------------------------------------------------- for everybody


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_axe_finds_nothing(page: Page, open_show: Open, size: str, scheme: Any) -> None:
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    one = open_show(FAILING)
    axe = Axe()
    _assert_clean(axe, page)
    play(page, one, 12.0)
    _assert_clean(axe, page)
    order(page, one, "seek", at_s=1e6)
    expect(page.locator("#verdict")).to_be_visible(timeout=MOST_MS)
    for tab in ("checks", "bench"):
        page.locator(f"#tab-{tab}").click()
        _assert_clean(axe, page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def _assert_clean(axe: Axe, page: Page) -> None:
    found = axe.run(page).response["violations"]
    assert not found, json.dumps([(v["id"], [n["html"] for n in v["nodes"]]) for v in found], indent=1)


def test_letters_are_large_enough_for_a_room(page: Page, open_show: Open) -> None:
    page.set_viewport_size({"width": 1280, "height": 720})
    one = open_show(FAILING)
    play(page, one)
    small = page.evaluate(
        """least => [...document.querySelectorAll("body *")].filter(e => {
            const own = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
            if (!own || !e.getClientRects().length || e.closest(".unseen, title, noscript")) return false;
            const svg = e.closest("#chart");
            const scale = svg ? svg.getScreenCTM().a : 1;
            return parseFloat(getComputedStyle(e).fontSize) * scale < least - 0.01 && !e.matches(".tag, script, style");
        }).map(e => e.outerHTML.slice(0, 120))""",
        LEAST_PX,
    )
    assert small == []
    assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")


def test_nothing_travels_for_whoever_wants_no_motion(page: Page, open_show: Open) -> None:
    page.emulate_media(reduced_motion="reduce")
    open_show()
    page.evaluate(WATCH_BOATS)
    page.locator("#go").click()
    wait_until(page, "document.querySelectorAll('#log li').length > 30")
    assert page.evaluate("window.boats") == 0


def test_messages_travel(page: Page, open_show: Open) -> None:
    one = open_show()
    page.evaluate(WATCH_BOATS)
    order(page, one, "speed", speed=4)
    page.locator("#go").click()
    wait_until(page, "window.boats > 3")
    assert re.search(r"\S → \S", page.locator("#caption").inner_text())


WATCH_BOATS = """() => {
    window.boats = 0;
    new MutationObserver(all => { for (const m of all) window.boats += [...m.addedNodes].filter(
        n => n.matches && n.matches(".boat, .dot")).length; }).observe(document.getElementById("chart"),
        {childList: true, subtree: true});
}"""


def test_stage_changes_are_said_aloud_and_messages_are_not(page: Page, open_show: Open) -> None:
    open_show()
    assert page.locator("[aria-live]").count() == 1
    page.locator("#go").click()
    expect(page.locator("#said")).to_contain_text("Power comes on: holds")
