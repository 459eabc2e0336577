"""Stories made by hand for the page: one that holds, one that fails, a hostile one, and one of many events."""

from __future__ import annotations

import dataclasses
import typing
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from harness.core.model import Finding
from harness.story.model import (
    CauseView,
    Cell,
    CheckView,
    ClauseView,
    Event,
    Lane,
    Part,
    Reach,
    Series,
    Span,
    StageView,
    Story,
    Unproven,
)

_MARKUP = "</script><img src=x onerror='window.harmed=1'><script>window.harmed=1</script>"
HOSTILE = _MARKUP + "\x1b[31m\u202egnp.\u2066 {{ 7*7 }}"
HOSTILE_SEEN = _MARKUP + "\\x1b[31m\\u202egnp.\\u2066 {{ 7*7 }}"
"""The same as it is to be read."""

_LANES = (
    Lane("device", "device", ("router",)),
    Lane("clients", "clients", ("client1",)),
    Lane("carrier", "carrier", ("carrier",)),
    Lane("internet", "internet", ("internet",)),
    Lane("management", "management", ("management",)),
    Lane("hq", "headquarters", ("hq-gateway", "hq-endpoint")),
)
_NAMES = ("powered", "wan_obtained", "tunnel_up", "hq_reached")
_TOLD: tuple[tuple[float, Any, str, str, str, int | None, str], ...] = (
    (-0.4, "carrier", "carrier", "event", "node.ready", 0, ""),
    (0.0, "device", "router", "event", "boot.started boot_count=1", 1, ""),
    (0.3, "stages", "", "stage", "powered begins, 20 s to go", None, ""),
    (1.0, "device", "router", "event", "slot.started slot=a", 2, "powered"),
    (1.2, "device", "router", "at", "> AT+CPIN?", 3, ""),
    (1.25, "device", "router", "at", "< +CPIN: READY", 4, ""),
    (1.3, "device", "router", "at", "< OK", 5, ""),
    (2.0, "carrier", "carrier", "event", "pdn.granted address=100.64.0.2", 6, "wan_obtained"),
    (3.0, "management", "management", "restconf", "POST /restconf/operations/x 204: report", 7, ""),
    (4.0, "hq", "hq-gateway", "ike", "charon: received IKE_AUTH", None, ""),
    (4.1, "hq", "hq-gateway", "ike", "child.installed esp=aes256gcm16", 8, "tunnel_up"),
    (5.0, "clients", "client1", "dhcp", "lease.obtained address=10.0.0.9", 9, ""),
    (6.0, "hq", "hq-endpoint", "event", "echo.received source=10.0.0.9", 10, "hq_reached"),
    (7.0, "internet", "internet", "dns", "name.answered name=hq.example", 11, ""),
)


def build_proven() -> Story:
    """A run of four stages, all reached, with one check that holds and one that does not apply."""
    held = Finding("matrix", "PASS", "till to guest", "all shut", "0 of 10 tries open", (9, 10))
    events = tuple(
        Event(at, lane, node, kind, text, f"obs {n}" if n is not None else "nodes/hq-gateway.log:3", "", n, decides)
        for at, lane, node, kind, text, n, decides in _TOLD
    )
    observations = tuple(
        {"source": e.node, "part": "core", "kind": e.text.split(" ")[0], "at_s": e.at_s, "data": {"text": e.text}}
        for e in events
        if e.number is not None
    )
    return Story(
        run="kiosk-pier-1", profile="kiosk", site="pier", pace="fast", decision="ship", proven=True,
        headline="PROVEN kiosk / pier: 4 of 4 stages, 1 of 1 checks, 7.5 s", why=("All 4 stages were reached.",),
        unproven=(Unproven("qos", "Voice is served first", "NOT_APPLICABLE", "the profile asks for no queues"),),
        ended_s=7.5, stages=_list_stages(),
        checks=(
            CheckView("matrix", "Segments open what they may", "hq_reached", "PASS", 6.1, 0.5, (held,),
                      ("PCI DSS 4.0.1 1.3.1",)),
            CheckView("qos", "Voice is served first", "hq_reached", "NOT_APPLICABLE", None, None,
                      (Finding("qos", "NOT_APPLICABLE", "", "", "the profile asks for no queues"),), ()),
        ),
        lanes=_LANES, events=events, observations=observations, parts=_list_parts(),
        reach=Reach(("till (client1)",), ("till (client1)", "hq (hq-endpoint)"),
                    (Cell("till (client1)", "hq (hq-endpoint)", "open: icmp", "1 of 1 tries open", "PASS", (10,)),)),
        clauses=(ClauseView("PCI DSS 4.0.1 1.3.1", "Only what is necessary comes in", "PASS", ("matrix",)),
                 ClauseView("PCI DSS 4.0.1 8.3.4", "Failed log-ins lock out", "NOT_APPLICABLE", ())),
        series=(Series("rtt", "round trip", "ms", ((6.0, 51.0), (6.2, 53.5), (6.4, 52.0)), 200.0, "nine in ten"),
                Series("rsrp", "signal", "dBm", ((1.5, -92.0), (3.0, -92.0)), None, "no limit")),
        is_diagnosed=False, causes=(), faults=(),
        facts={"pace": "fast", "waits": "hardware waits compressed", "profile_digest": "ab" * 32,
               "means": [{"node": "router", "what": "esp", "means": "userspace", "reason": "no kernel ESP"}]},
        notes=("captures: none",), zero_wall_ns=1_796_078_871_000_000_000,
    )  # fmt: skip


def _list_stages() -> tuple[StageView, ...]:
    times = ((0.3, 0.7, 20.0), (1.0, 1.0, 30.0), (2.0, 2.1, 60.0), (4.1, 1.9, 30.0))
    return tuple(
        StageView(name, name.replace("_", " "), "the bench", "PASS", "reached", started, took, budget, "as it is",
                  (Finding(name, "PASS", "it is seen", "seen", "seen", (number,)),), (number,))
        for name, number, (started, took, budget) in zip(_NAMES, (2, 6, 8, 10), times, strict=True)
    )  # fmt: skip


def _list_parts() -> tuple[Part, ...]:
    up = (Span(-0.4, None, "up", "it is heard"),)
    nodes = ("router", "carrier", "internet", "management", "hq-gateway", "hq-endpoint", "client1")
    bearer = (Span(2.0, 5.0, "up", "granted"), Span(5.0, 5.5, "down", "released"), Span(5.5, None, "up", "granted"))
    return (
        *(Part(name, name, "node", (), up) for name in nodes),
        Part("bearer", "radio bearer", "link", ("router", "carrier"), bearer),
        Part("tunnel", "tunnel", "tunnel", ("router", "hq-gateway"), (Span(4.1, None, "up", "installed"),)),
        Part("lan1", "LAN port 1", "link", ("client1", "router"), ()),
    )


def build_failing() -> Story:
    """The same with a tunnel that is refused, a cause, a fault put upon it, and a check that could not be judged."""
    good = build_proven()
    refused = Finding("tunnel_up", "FAIL", "the tunnel stands", "within 60 s", "sa.refused reason=wrong_psk", (8,))
    missed = replace(good.stages[2], outcome="FAIL", state="missed", took_s=None, findings=(refused,), summary="none")
    blocked = replace(good.stages[3], outcome="INCONCLUSIVE", state="blocked", started_s=None, took_s=None, evidence=())
    unreached = Unproven("hq_reached", "A client reaches HQ", "INCONCLUSIVE", "blocked by tunnel_up")
    judged = Finding("matrix", "FAIL", "till to guest", "all shut", "tcp/80 open", (9,))
    grounds, against = (("the gateway refuses", (8,)),), (("a peer is unknown", ()),)
    cause = CauseView("wrong_psk", "the two ends have different keys", "Leave it switched on.", "by its identity",
                      "Compare the keys.", "Nothing.", grounds, against)  # fmt: skip
    return replace(
        good, run="kiosk-pier-2", decision="do not ship", proven=False, headline="NOT PROVEN kiosk / pier",
        why=("tunnel_up: refused",), stages=(*good.stages[:2], missed, blocked),
        checks=(replace(good.checks[0], outcome="FAIL", findings=(judged,)), good.checks[1]),
        unproven=(unreached, *good.unproven),
        is_diagnosed=True, causes=(cause,), faults=({"name": "wrong_psk", "title": "wrong key"},),
    )  # fmt: skip


def build_empty() -> Story:
    """A run of which nothing was seen: every list of the story is empty."""
    return replace(
        build_proven(), decision="undecided", proven=False, why=(), unproven=(), ended_s=0.0, stages=(), checks=(),
        lanes=(), events=(), observations=(), parts=(), reach=Reach((), (), ()), clauses=(), series=(), facts={},
        notes=(), zero_wall_ns=None,
    )  # fmt: skip


def build_hostile() -> Story:
    """The failing run with hostile words at the end of every text that is not one of a fixed set."""
    return typing.cast(Story, _poison(build_failing(), Story))


def _poison(value: Any, hint: Any) -> Any:
    if typing.get_origin(hint) is typing.Literal:
        return value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        hints = typing.get_type_hints(type(value))
        return replace(value, **{name: _poison(getattr(value, name), kind) for name, kind in hints.items()})
    if isinstance(value, str):
        is_fixed = any(value in typing.get_args(one) for one in typing.get_args(hint))  # a union with a fixed set
        return value if is_fixed else value + HOSTILE
    if isinstance(value, Mapping):
        open_keys = ("data", "profile_digest")  # others are what the page looks for
        return {key + HOSTILE if key in open_keys else key: _poison(v, Any) for key, v in value.items()}
    if isinstance(value, tuple | list):
        inner = typing.get_args(hint) or (Any,)
        hints = inner if len(inner) == len(value) and Ellipsis not in inner else (inner[0],) * len(value)
        return type(value)(_poison(one, h) for one, h in zip(value, hints, strict=True))
    return value


def build_large(count: int) -> Story:
    """A run of that many events over an hour, of every lane and kind, each with an observation of its own."""
    good = build_proven()
    lanes = [(lane.name, node) for lane in _LANES for node in lane.nodes]
    kinds = ("event", "at", "restconf", "dhcp", "dns", "ike", "syslog", "probe", "log")
    events, observations = [], []
    for number in range(count):
        lane, node = lanes[number * 7919 % len(lanes)]
        kind, at_s = kinds[number * 104729 % len(kinds)], number * 3600 / count
        address = f"10.{number % 251}.{number % 241}.{number % 239}"
        text = f"{kind}.seen number={number} address={address} serial=SL-{number * 31 % 99991}"
        events.append(Event(at_s, lane, node, kind, text, f"obs {number}", "", number, ""))
        observations.append({"source": node, "part": "core", "kind": f"{kind}.seen", "at_s": at_s,
                             "data": {"number": number, "text": text}})  # fmt: skip
    return replace(good, run="large", ended_s=3600.0, events=tuple(events), observations=tuple(observations))
