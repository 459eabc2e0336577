"""The page's server over real sockets on loopback: who may ask, what is told, what may be done."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from harness.core.model import TapeEntry
from harness.core.sample import saw
from harness.errors import InputError
from harness.show.guard import HEADERS
from harness.show.server import MOST_BODY, Server, make_server, open_socket
from harness.show.showing import Show
from tests.unit.show_tapes import BROUGHT_UP, WRONG_PSK, load_tape, write_run

TOKEN = "a-token-of-this-test"
PATIENCE_S = 60.0
"""For a machine that has much else to do."""


@dataclass
class Site:
    """A server that runs, and a client that knows its token."""

    port: int
    client: httpx.Client
    server: Server

    def act(self, name: Any, **more: Any) -> httpx.Response:
        return self.client.post("/act", params={"token": TOKEN}, json={"act": name, **more})

    def scene(self) -> dict[str, Any]:
        answer = self.client.get("/scene", params={"token": TOKEN})
        assert answer.status_code == 200
        return json.loads(answer.text, parse_constant=pytest.fail)

    def wait(self, accepts: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        until = time.monotonic() + PATIENCE_S
        while not accepts(scene := self.scene()):
            assert time.monotonic() < until, f"not so within {PATIENCE_S:g} s: {str(scene)[:600]}"
            time.sleep(0.05)  # between two looks at a thread's doings
        return scene


@contextmanager
def serve(show: Show) -> Iterator[Site]:
    listener = open_socket(0)
    server = make_server(show, TOKEN, listener)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    port = listener.getsockname()[1]
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", trust_env=False, timeout=PATIENCE_S) as client:
            yield Site(port, client, server)
    finally:
        server.should_exit = True
        thread.join()
        show.close()
        listener.close()


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    base = tmp_path_factory.mktemp("runs")
    return {"proven": write_run(base / "run-a", BROUGHT_UP), "failing": write_run(base / "run-b", WRONG_PSK)}


@pytest.fixture(scope="module")
def quiet_site(folders: dict[str, Path]) -> Iterator[Site]:
    """One server for all tests that are to change nothing."""
    show = Show({})
    show.open_run(folders["proven"])
    with serve(show) as site:
        site.wait(lambda s: s["live_s"] > 0)
        yield site


@pytest.fixture
def site(folders: dict[str, Path]) -> Iterator[Site]:
    show = Show({})
    show.open_run(folders["proven"])
    with serve(show) as site:
        yield site


# ---------------------------------------------------------------- who may ask


@pytest.mark.parametrize("path", ["/", "/scene", "/events", "/act", "/nothing"])
@pytest.mark.parametrize(
    "query", ["", "?token=", "?token=wrong", f"?token={TOKEN}&token={TOKEN}", f"?token={TOKEN}x", "?token=%ff%fe"]
)
def test_without_the_token_nothing_is_told(quiet_site: Site, path: str, query: str) -> None:
    for method in ("GET", "POST"):
        answer = quiet_site.client.request(
            method, f"{path}{query}", content=b'{"act":"start"}' if method == "POST" else None
        )
        assert answer.status_code == 403
        assert "pier-kiosk" not in answer.text
    assert quiet_site.scene()["phase"] == "waiting", "nothing was done"


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "[::1]:{port}", ""]
)
def test_a_name_that_is_not_ours_gets_nothing(quiet_site: Site, host: str) -> None:
    answer = quiet_site.client.get(
        "/scene", params={"token": TOKEN}, headers={"Host": host.format(port=quiet_site.port)}
    )
    assert answer.status_code in (400, 421)
    assert "pier-kiosk" not in answer.text


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1:{port}"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
@pytest.mark.parametrize("path", ["/scene", "/act", "/static/show.js"])
def test_another_site_gets_and_does_nothing_even_with_the_token(
    quiet_site: Site, headers: dict[str, str], path: str
) -> None:
    sent = {name: value.format(port=quiet_site.port) for name, value in headers.items()}
    for method in ("GET", "POST"):
        answer = quiet_site.client.request(
            method, path, params={"token": TOKEN}, headers=sent, content=b'{"act":"start"}'
        )
        assert answer.status_code == 403
    assert quiet_site.scene()["phase"] == "waiting"


def test_our_own_page_is_served_by_both_its_names(quiet_site: Site) -> None:
    for name in ("127.0.0.1", "localhost"):
        own = {
            "Host": f"{name}:{quiet_site.port}",
            "Origin": f"http://{name}:{quiet_site.port}",
            "Sec-Fetch-Site": "same-origin",
        }
        assert quiet_site.client.get("/scene", params={"token": TOKEN}, headers=own).status_code == 200


def test_every_answer_says_how_it_may_be_used(quiet_site: Site) -> None:
    answers = [
        quiet_site.client.get("/scene", params={"token": TOKEN}),
        quiet_site.client.get("/", params={"token": TOKEN}),
        quiet_site.client.get("/scene"),
        quiet_site.client.get("/static/nothing.js"),
        quiet_site.act("nothing"),
    ]
    assert [a.status_code for a in answers] == [200, 200, 403, 404, 400]
    for answer in answers:
        assert {name: answer.headers.get(name) for name in HEADERS} == HEADERS
        assert not [name for name in answer.headers if name.lower().startswith("access-control")]


def test_it_listens_on_loopback_only(quiet_site: Site) -> None:
    with open_socket(0) as listener:
        assert listener.getsockname()[0] == "127.0.0.1"
    with socket.socket() as other, pytest.raises(OSError, match="refused"):
        other.connect(("127.0.0.2", quiet_site.port))


@pytest.mark.parametrize("name", ["../server.py", "..%2fserver.py", "%2e%2e/server.py", "server.py", "/etc/passwd"])
def test_static_files_are_those_of_the_page(quiet_site: Site, name: str) -> None:
    assert quiet_site.client.get(f"/static/{name}").status_code in (403, 404)


# ---------------------------------------------------------------- what is told


def read_events(site: Site, count: int, since: float | None = None) -> list[tuple[float, dict[str, Any]]]:
    """Return so many scenes of the stream, with when each arrived."""
    scenes: list[tuple[float, dict[str, Any]]] = []
    with site.client.stream("GET", "/events", params={"token": TOKEN}) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        for line in answer.iter_lines():
            assert line == "" or line.startswith(("event: scene", "data: ", ": "))
            if line.startswith("data: "):
                scenes.append((time.monotonic(), json.loads(line.removeprefix("data: "))))
                if len(scenes) == count:
                    break
    return scenes


def test_the_stream_tells_the_whole_scene_at_once_and_as_it_moves(site: Site) -> None:
    site.act("even", on=False)
    site.act("start")
    scenes = read_events(site, 25)
    assert all(scene["format"] == 1 and len(scene["stages"]) == 8 for _, scene in scenes)
    times = [scene["at_s"] for _, scene in scenes]
    assert times == sorted(times) and times[-1] > times[0]
    took_s = scenes[-1][0] - scenes[0][0]
    assert len(scenes) / took_s <= 22, "at most 20 a second"


def test_a_still_picture_is_not_told_over_and_over(site: Site) -> None:
    site.wait(lambda s: s["live_s"] > 0)
    count = site.server.stage.count
    time.sleep(0.6)  # more than twice as long as the calmest pace of a picture that moves
    assert site.server.stage.count == count
    site.act("start")
    time.sleep(0.6)  # the same, of one that moves
    assert site.server.stage.count >= count + 2


def test_two_pages_see_the_same(site: Site) -> None:
    site.act("start")
    site.act("pause")
    (_, one), (_, other) = *read_events(site, 1), *read_events(site, 1)
    assert one == other == site.scene()


def test_it_knows_how_many_pages_are_open(site: Site) -> None:
    show = site.server.stage.show
    assert show.watchers == 0
    with site.client.stream("GET", "/events", params={"token": TOKEN}) as answer:
        lines = answer.iter_lines()
        next(lines)
        assert show.watchers == 1
    site.act("start")  # a page that went away is noticed as it is told of something
    site.wait(lambda s: show.watchers == 0)


def test_hostile_words_stay_within_their_event(folders: dict[str, Path], tmp_path: Path) -> None:
    words = '</script>\r\n\r\nevent: scene\ndata: {"format":2}\n\n\u2028\u2029\x00\ud800"\\'
    seen = saw("hq-endpoint", "log.received", 1.0, app="x", text=words)
    show = Show({})
    show.open_run(write_run(tmp_path / "run", BROUGHT_UP, [seen]))
    with serve(show) as site:
        site.act("start")
        site.act("seek", at_s=1e5)
        site.wait(lambda s: s["phase"] == "over")
        (_, scene), *_ = read_events(site, 1)
    text = scene["messages"][-1]["text"]
    assert scene["format"] == 1
    assert text.endswith('\\u2028\\u2029\\x00\\ud800"\\') and text.isprintable()
    assert "event: scene" in text, "it is told, as text"


# ---------------------------------------------------------------- what may be done


def test_a_recorded_run_from_the_beginning_to_its_verdict(site: Site) -> None:
    waiting = site.wait(lambda s: s["live_s"] > 0)
    assert (waiting["phase"], waiting["verdict"], waiting["at_s"]) == ("waiting", None, 0.0)
    assert "start" in waiting["acts"] and "pause" not in waiting["acts"]
    assert site.act("pause").status_code == 400
    assert site.act("start").json() == {}
    assert site.scene()["phase"] == "running"
    site.act("pause")
    paused = site.scene()
    assert (paused["phase"], paused["rate"]) == ("paused", 0.0)
    time.sleep(0.3)  # a picture that moved would have moved by then
    assert site.scene()["at_s"] == paused["at_s"]
    site.act("seek", at_s=1e5)
    over = site.wait(lambda s: s["phase"] == "over")
    assert over["verdict"]["decision"] == "Undecided"
    assert over["at_s"] == over["live_s"] == waiting["live_s"]
    site.act("again")
    assert site.scene()["at_s"] < over["at_s"] and site.scene()["verdict"] is None


def test_a_choice_of_recorded_runs(folders: dict[str, Path]) -> None:
    with serve(Show(folders)) as site:
        first = site.scene()
        assert [(r["name"], r["chosen"]) for r in first["runs"]] == [("proven", False), ("failing", False)]
        assert (first["acts"].count("open"), "start" in first["acts"]) == (1, False)
        assert site.act("open", run="other").status_code == 400
        assert site.act("open", run="failing").status_code == 200
        site.act("start")
        site.act("seek", at_s=1e5)
        over = site.wait(lambda s: s["phase"] == "over")
        assert over["verdict"]["decision"] == "Do not ship" and over["causes"]
        assert [f["name"] for f in over["faults"] if f["active"]] == ["wrong_psk"]
        assert [r["chosen"] for r in over["runs"]] == [False, True]
        site.act("open", run="proven")
        assert (site.scene()["phase"], site.scene()["run"]) == ("waiting", "run-a")


@pytest.mark.parametrize(
    "body",
    [
        b"", b"[]", b"null", b"1", b"{", b'{"act":', b"\xff\xfe", b'{"act": null}', b'{"act": ["start"]}', b"{}",
        b'{"act":"fly"}', b'{"act":"__class__"}', b'{"act":"close"}', b'{"act":"inject","name":"wrong_psk"}',
        b'{"act":"speed"}', b'{"act":"speed","speed":"2"}', b'{"act":"speed","speed":NaN}',
        b'{"act":"speed","speed":1e999}', b'{"act":"speed","speed":0}', b'{"act":"speed","speed":true}',
        b'{"act":"even"}', b'{"act":"even","on":1}', b'{"act":"pause_at_stages","on":"yes"}',
        b'{"act":"open","run":"proven"}', b"[" * 4000,
    ],
)  # fmt: skip
def test_what_is_no_act_gets_one_clear_error_and_changes_nothing(quiet_site: Site, body: bytes) -> None:
    before = quiet_site.scene()
    answer = quiet_site.client.post("/act", params={"token": TOKEN}, content=body)
    assert answer.status_code == 400
    assert list(answer.json()) == ["error"] and 0 < len(answer.json()["error"]) <= 200
    assert quiet_site.scene() == before


def test_a_body_without_end_is_cut_off(quiet_site: Site) -> None:
    def endless() -> Iterator[bytes]:
        for _ in range(1000):
            yield b" " * 1024

    for content in (b" " * (MOST_BODY + 1), endless()):
        try:
            answer = quiet_site.client.post("/act", params={"token": TOKEN}, content=content)
        except httpx.WriteError:
            continue  # it answered and hung up before all was sent
        assert (answer.status_code, str(MOST_BODY) in answer.text) == (400, True)
    assert quiet_site.scene()["phase"] == "waiting"


@pytest.mark.parametrize("at_s", [-1, "3", None, float("1e7")])
def test_an_instant_that_is_none_is_refused(site: Site, at_s: object) -> None:
    site.act("start")
    assert site.act("seek", at_s=at_s).status_code == 400


def test_a_get_does_nothing(quiet_site: Site) -> None:
    assert quiet_site.client.get("/act", params={"token": TOKEN, "act": "start"}).status_code == 405
    assert quiet_site.scene()["phase"] == "waiting"


# ---------------------------------------------------------------- folders that are none, and tapes that are broken


def test_a_folder_that_is_none_is_bad_input(tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text("{}")
    (tmp_path / "tape.jsonl").write_text("")
    for path in (tmp_path / "nothing", tmp_path):
        with pytest.raises(InputError, match="expected a run's folder"):
            Show({}).open_run(path)


def test_a_tape_that_is_broken_within_says_where(tmp_path: Path) -> None:
    folder = write_run(tmp_path / "run")
    lines = (folder / "tape.jsonl").read_bytes().splitlines(keepends=True)
    (folder / "tape.jsonl").write_bytes(b"".join([*lines[:10], b"{broken\n", *lines[11:]]))
    show = Show({})
    show.open_run(folder)
    with serve(show) as site:
        site.act("start")
        scene = site.wait(lambda s: s["phase"] == "broken")
    assert "tape.jsonl:11:1" in scene["hint"]


def test_a_last_line_that_was_cut_is_left_out(tmp_path: Path) -> None:
    folder = write_run(tmp_path / "run")
    with (folder / "tape.jsonl").open("ab") as tape:
        tape.write(b'{"kind":"observation","now_ns":')
    show = Show({})
    show.open_run(folder)
    with serve(show) as site:
        site.act("start")
        site.act("seek", at_s=1e5)
        scene = site.wait(lambda s: s["phase"] == "over")
    run = load_tape(BROUGHT_UP)
    zero_ns = min(e.observation.at_ns for e in run.tape if e.observation and e.observation.source == "router")
    last: TapeEntry = run.tape[-1]
    assert scene["live_s"] == pytest.approx((last.now_ns - zero_ns) / 1e9, abs=0.001)


def test_an_empty_tape_is_over_at_once(tmp_path: Path) -> None:
    folder = write_run(tmp_path / "run")
    (folder / "tape.jsonl").write_text("")
    show = Show({})
    show.open_run(folder)
    with serve(show) as site:
        site.act("start")
        scene = site.wait(lambda s: s["phase"] == "over")
    assert scene["verdict"]["proven"] is False
