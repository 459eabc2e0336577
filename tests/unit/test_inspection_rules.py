"""The rules that bring packets to the inspector, and the part that keeps it: pure renderers.

That nftables and iptables take the texts, and what they do to packets, is shown in the lab.
"""

from __future__ import annotations

import json
import syslog
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from emulators.common.controls import Application, Applications, Reach, Threats
from emulators.common.device_config import (
    DeviceConfig,
    DhcpRange,
    Management,
    Segment,
    Tunnel,
    Uplinks,
)
from emulators.router.runtime.apply.base import ApplyError, Situation
from emulators.router.runtime.apply.check import check_config
from emulators.router.runtime.apply.inspection import main, marks
from emulators.router.runtime.apply.inspection_rules import find_names, find_sets, render_queue, render_table
from emulators.router.runtime.apply.parts import inspection
from emulators.router.runtime.uplink_state import UplinkState

CONTROL = Applications(
    ("staff",),
    (
        Application("tickets", "tls", ("tcp/443", "tcp/8443"), ("tickets.example", ".shop.example")),
        Application("weather", "dns", ("tcp/443", "udp/5683"), ("weather.example",)),
        Application("time", "port", ("udp/123",)),
        Application("booking", "tls", ("tcp/443",), ("booking.example",)),
    ),
)
THREATS = Threats(("till",), ("test-file", "port-scan"), "drop")
STAFF = Segment("staff", 20, (2,), "10.20.20.1/24", DhcpRange("10.20.20.9", "10.20.20.90", 900), (Reach("internet"),))
TILL = Segment("till", 10, (1,), "10.20.10.1/24", DhcpRange("10.20.10.9", "10.20.10.90", 900), (Reach("hq"),))
TUNNEL = Tunnel(
    "vpn.example", "kiosk.example", "hq.example", ("aes256gcm16-prfsha384-ecp384",), ("aes256gcm16",),
    ("10.20.10.0/24",), ("10.200.0.0/24",), 10, "psk", "a long secret of the ferry line",
)  # fmt: skip
CONFIG = DeviceConfig(
    1, "kiosk", "kiosk", (TILL, STAFF), Uplinks(("cellular",), None), TUNNEL, (), (), None, None, None,
    Management(("mgmt.example",), 30.0, 60.0), applications=CONTROL, threats=THREATS,
)  # fmt: skip
UPLINK = UplinkState("cellular", "wwan0", "100.64.0.2", None, 1428, ("100.64.0.1",))
SITUATION = Situation(UPLINK, "userspace", 1366)


def chain(table: str, name: str) -> list[str]:
    """Return the rules of one chain."""
    body = table.partition(f"  chain {name} {{\n")[2].partition("  }\n")[0]
    return [line.strip() for line in body.splitlines() if not line.strip().startswith("type ")]


def test_names_are_gathered_by_port() -> None:
    assert find_names(CONTROL) == {
        "443": ["tickets.example", ".shop.example", "booking.example"],
        "8443": ["tickets.example", ".shop.example"],
    }
    assert find_names(None) == {}


def test_only_applications_by_dns_have_a_set() -> None:
    assert find_sets(CONTROL) == {"application_1": ["weather.example"]}


def test_what_no_application_names_is_refused_last() -> None:
    rules = chain(render_table(CONFIG, SITUATION, 1), "naming")
    assert rules[-1] == f"meta mark set meta mark or {marks.REFUSE:#x}"
    assert all(rule.endswith("return") for rule in rules[:-1])
    by_port, by_name = (next(i for i, r in enumerate(rules) if word in r) for word in ("udp dport 123", "dport { 443"))
    addressed = next(i for i, r in enumerate(rules) if "@application_1 tcp dport 443" in r)
    assert by_port < by_name and addressed < by_name


def test_the_firewall_stands_between_its_segments_and_the_internet_only() -> None:
    rules = [rule for rule in chain(render_table(CONFIG, SITUATION, 1), "before") if "jump naming" in rule]
    assert rules == ['iifname { "br20" } oifname "wwan0" ip daddr != { 10.200.0.0/24 } jump naming']


def test_no_uplink_no_internet() -> None:
    assert "jump naming" not in render_table(CONFIG, replace(SITUATION, uplink=None), 1)


def test_watched_segments_are_watched_both_ways_and_first() -> None:
    rules = chain(render_table(CONFIG, SITUATION, 1), "before")
    watching = [i for i, rule in enumerate(rules) if rule.endswith("jump watching")]
    assert [rules[i] for i in watching] == [
        'iifname "br10" oifname != "br10" jump watching',
        'oifname "br10" iifname != "br10" jump watching',
    ]
    assert max(watching) < next(i for i, rule in enumerate(rules) if rule.endswith("jump naming"))


def test_an_unseen_packet_is_dropped_before_anything_else() -> None:
    first, *rest = chain(render_table(CONFIG, SITUATION, 1), "after")
    asked = marks.ASK_NAME | marks.ASK_THREAT
    assert first == f"meta mark and {asked:#x} != 0 meta mark and {marks.PASSED:#x} == 0 counter drop"
    assert rest[-1] == f"meta mark set meta mark and {~marks.ALL & 0xFFFFFFFF:#x}"
    assert "accept" not in "".join(rest)


@pytest.mark.parametrize("generation", [1, marks.GENERATIONS])
def test_connections_of_another_generation_begin_anew(generation: int) -> None:
    rule = chain(render_table(CONFIG, SITUATION, generation), "before")[0]
    ours = generation << marks.GENERATION_SHIFT
    assert rule == f"ct mark and 0xff000000 != {ours:#x} ct mark set {ours:#x}"


def test_generations_never_repeat_at_once(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inspection, "GENERATION", str(tmp_path / "generation"))
    seen = [inspection.next_generation() for _ in range(2 * marks.GENERATIONS)]
    assert all(1 <= one <= marks.GENERATIONS for one in seen)
    assert all(a != b for a, b in pairwise(seen))


def test_the_queue_has_no_way_around_it() -> None:
    text = render_queue()
    assert f"--mark 0x0/{marks.ASKED:#x} -j NFQUEUE --queue-num {marks.QUEUE}\n" in text
    assert "bypass" not in text  # iptables-extensions(8): --queue-bypass would let pass what nobody looks at


def test_addresses_outlive_another_uplink() -> None:
    table = render_table(CONFIG, SITUATION, 1)
    assert "flush table" in table
    assert "delete table" not in table


def test_answers_are_looked_at_where_an_application_goes_by_dns() -> None:
    assert chain(render_table(CONFIG, SITUATION, 1), "answers")
    without = replace(CONFIG, applications=replace(CONTROL, allowed=CONTROL.allowed[2:]))
    assert not chain(render_table(without, SITUATION, 1), "answers")


def test_without_the_controls_nothing_is_there() -> None:
    assert inspection.render(replace(CONFIG, applications=None, threats=None), SITUATION) == {}


def test_the_inspector_reads_its_settings_as_they_are_written(tmp_path: Any) -> None:
    path = tmp_path / "inspection.json"
    path.write_text(inspection.render(CONFIG, SITUATION)[inspection.CONF])
    settings = main.load_settings(path)
    assert settings.names == {
        443: ("tickets.example", ".shop.example", "booking.example"),
        8443: CONTROL.allowed[0].names,
    }
    assert settings.answers == {"application_1": ("weather.example",)}
    assert (settings.signatures, settings.action) == (("test-file", "port-scan"), "drop")


def test_threats_alone_ask_for_no_names() -> None:
    files = inspection.render(replace(CONFIG, applications=None), SITUATION)
    assert json.loads(files[inspection.CONF])["names"] == {}
    assert not chain(files[inspection.SCRIPT], "naming")


class Console:
    def __init__(self) -> None:
        self.events: list[tuple[str, dict[str, Any]]] = []

    def emit(self, kind: str, /, **data: Any) -> None:
        self.events.append((kind, data))


def test_a_threat_is_told_on_the_console_and_in_the_log(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[tuple[int, str]] = []
    monkeypatch.setattr(inspection, "note", lambda priority, text: said.append((priority, text)))
    console = Console()
    on_line = inspection.follow(console)
    threat = {"signature": "test-file", "source": "198.18.0.60", "destination": "10.20.10.9", "action": "drop"}
    on_line("some other words")
    on_line(f"threat {json.dumps(threat)}")
    assert console.events == [("threat.detected", threat)]
    assert said == [(syslog.LOG_WARNING, "threat test-file from 198.18.0.60 to 10.20.10.9: dropped")]


def allow(by: Any, service: str, *names: str) -> dict[str, Any]:
    """Return the field of a configuration with this one application."""
    return {"applications": Applications(("staff",), (Application("x", by, (service,), names),))}


@pytest.mark.parametrize(
    ("fields", "section"),
    [
        ({"applications": replace(CONTROL, segments=("crew",))}, "applications.segments"),
        ({"threats": replace(THREATS, segments=("crew",))}, "threats.segments"),
        (allow("port", "tcp/70000"), "applications.allowed[0].open"),
        (allow("port", "tcp/1; drop"), "applications.allowed[0].open"),
        (allow("dns", "any", "a }"), "applications.allowed[0].names"),
    ],
)
def test_what_cannot_be_applied_is_refused(fields: dict[str, Any], section: str) -> None:
    check_config(CONFIG)
    with pytest.raises(ApplyError) as caught:
        check_config(replace(CONFIG, **fields))
    assert caught.value.section == section
