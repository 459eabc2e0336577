"""What was up when: the nodes, and what joins them. Layer: story, pure.

Whoever stands outside of the router says so, wherever there is one: the carrier of a bearer, the fixed line's provider
of a lease, the management server of a session, HQ's gateway of the tunnel, a client of its lease. Only a bearer's or a
line's loss has no witness but the router. A router that starts anew has lost all that hung on it, whoever has not
noticed yet. That it is dark nobody says; it is known from its next start, and taken to be so since it was last heard.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from harness.checks._vantages import list_all_clients
from harness.core.entries import ANSWERED, as_count
from harness.core.model import Observation, Plan
from harness.core.timing import to_ns, to_s
from harness.stages._shared import find_imsis
from harness.story.model import Part, Span

QUIET_BEATS = 4
"""Heartbeats that management waits for in vain before the device counts as lost: as in the diagnosis."""
STAND_INS = {
    "carrier": "carrier",
    "internet": "internet",
    "management": "management server",
    "hq-gateway": "HQ gateway",
    "hq-endpoint": "HQ endpoint",
}
_REGISTERED = (1, 5)
"""TS 27.007 clause 7.2, <stat>: registered at home, registered while roaming."""


@dataclass(frozen=True, slots=True)
class Turn:
    """From `at_ns` on a part is up or down."""

    at_ns: int
    state: Literal["up", "down"]
    why: str


def list_parts(plan: Plan, observations: Sequence[Observation], zero_ns: int, ended_ns: int) -> tuple[Part, ...]:
    """Return all nodes, then what joins them. `ended_ns`: the last instant that the bench saw."""
    seen = sorted(observations, key=lambda o: o.at_ns)
    starts = list(_turn_router(seen))
    nodes = [_draw_node("router", f"router ({plan.hardware.name})", starts, zero_ns)]
    titles = STAND_INS | {c: f"client on port {c[6:]}, segment {s.name}" for c, s in list_all_clients(plan)}
    nodes += [_draw_node(name, title, _turn_node(seen, name), zero_ns) for name, title in titles.items()]
    lost = [Turn(t.at_ns, "down", f"the router starts: {t.why}") for t in starts if t.state == "up"]
    links = _list_links(plan, seen, ended_ns)
    return (*nodes, *(_draw_link(link, lost, zero_ns) for link in links))


@dataclass(frozen=True, slots=True)
class _Link:
    name: str
    title: str
    kind: Literal["link", "tunnel"]
    ends: tuple[str, str]
    turns: Iterable[Turn]


def _list_links(plan: Plan, seen: Sequence[Observation], ended_ns: int) -> Iterator[_Link]:
    if "cellular" in plan.branch.uplinks:
        yield _Link("bearer", "radio bearer", "link", ("router", "carrier"), _turn_bearer(plan, seen))
    if "ethernet" in plan.branch.uplinks:
        yield _Link("fixed", "fixed line", "link", ("router", "internet"), _turn_fixed(seen))
    heard = [o for o in seen if o.source == "management" and o.data.get("serial") == plan.branch.serial]
    session = _turn_session(heard, to_ns(QUIET_BEATS * plan.branch.heartbeat_s), ended_ns)
    yield _Link("session", "management session", "link", ("router", "management"), session)
    yield _Link("tunnel", "tunnel", "tunnel", ("router", "hq-gateway"), _turn_tunnel(plan, seen))
    for client, segment in list_all_clients(plan):
        title = f"LAN port {client[6:]}, {segment.name}"
        yield _Link(f"lan{client[6:]}", title, "link", (client, "router"), _turn_lan(seen, client))


def _draw_node(name: str, title: str, turns: Iterable[Turn], zero_ns: int) -> Part:
    return Part(name, title, "node", (), _to_spans(turns, zero_ns))


def _draw_link(link: _Link, lost: Iterable[Turn], zero_ns: int) -> Part:
    turns = sorted([*lost, *link.turns], key=lambda t: t.at_ns)
    return Part(link.name, link.title, link.kind, link.ends, _to_spans(turns, zero_ns))


def _to_spans(turns: Iterable[Turn], zero_ns: int) -> tuple[Span, ...]:
    """Return the stretches between turns of state. What was never up has none."""
    kept: list[Turn] = []
    for turn in turns:
        if turn.state != (kept[-1].state if kept else "down"):
            kept.append(turn)
    ends = [to_s(t.at_ns - zero_ns) for t in kept[1:]]
    return tuple(
        Span(to_s(t.at_ns - zero_ns), until_s, t.state, t.why)
        for t, until_s in zip(kept, [*ends, None], strict=bool(kept))
    )


def _turn_router(seen: Sequence[Observation]) -> Iterator[Turn]:
    last: Observation | None = None
    started = False
    for o in seen:
        if o.source != "router":
            continue
        if o.kind == "boot.started":
            if started and last is not None:
                yield Turn(last.at_ns, "down", "dark until it starts again")
            started = True
            yield Turn(o.at_ns, "up", f"boot {o.data.get('boot_count')}, by {o.data.get('cause')}")
        last = o


def _turn_node(seen: Iterable[Observation], name: str) -> Iterator[Turn]:
    for o in seen:
        if o.source == name and o.kind == "node.failed":
            yield Turn(o.at_ns, "down", f"it failed: {o.data.get('error')}")
        elif o.source == name:
            yield Turn(o.at_ns, "up", f"it is heard: {o.kind}")


def _turn_bearer(plan: Plan, seen: Iterable[Observation]) -> Iterator[Turn]:
    """A bearer lives on where its radio link is cut, unless the router gives it up meanwhile."""
    imsis = find_imsis(plan)
    granted = False
    for o in seen:
        match (o.source, o.kind):
            case ("carrier", "pdn.granted") if str(o.data.get("imsi")) in imsis:
                granted = True
                told = f"the carrier grants {o.data.get('apn')} the address {o.data.get('address')}"
                yield Turn(o.at_ns, "up", told)
            case ("carrier", "link.cut") if o.data.get("name") == "radio":
                yield Turn(o.at_ns, "down", "the carrier's radio link is cut")
            case ("carrier", "link.restored") if o.data.get("name") == "radio" and granted:
                yield Turn(o.at_ns, "up", "the carrier's radio link is back")
            case ("router", "registration.changed") if o.data.get("stat") not in _REGISTERED:
                granted = False
                yield Turn(o.at_ns, "down", "the router is no longer registered")
            case ("router", "uplink.down") if o.data.get("uplink") == "cellular":
                granted = False
                yield Turn(o.at_ns, "down", f"the router gives it up: {o.data.get('reason')}")
            case ("router", "boot.started"):
                granted = False


def _turn_fixed(seen: Iterable[Observation]) -> Iterator[Turn]:
    leased = False
    for o in seen:
        match (o.source, o.kind):
            case ("internet", "dhcp.leased"):
                leased = True
                yield Turn(o.at_ns, "up", f"its provider leases {o.data.get('address')}")
            case ("internet", "link.cut") if o.data.get("name") == "fixed":
                yield Turn(o.at_ns, "down", "the line is cut")
            case ("internet", "link.restored") if o.data.get("name") == "fixed" and leased:
                yield Turn(o.at_ns, "up", "the line is back")
            case ("router", "uplink.down") if o.data.get("uplink") == "ethernet":
                leased = False
                yield Turn(o.at_ns, "down", f"the router gives it up: {o.data.get('reason')}")
            case ("router", "boot.started"):
                leased = False


def _turn_session(heard: Sequence[Observation], quiet_ns: int, ended_ns: int) -> Iterator[Turn]:
    """Management hears the device; or it did not for `quiet_ns`: then it is lost since it was last heard."""
    for o, after_ns in zip(heard, [*(o.at_ns for o in heard), ended_ns][1:], strict=True):
        yield Turn(o.at_ns, "up", f"management hears the device: {o.kind}")
        if after_ns - o.at_ns > quiet_ns:
            yield Turn(o.at_ns, "down", f"management hears nothing for {to_s(after_ns - o.at_ns):.1f} s")


def _turn_tunnel(plan: Plan, seen: Iterable[Observation]) -> Iterator[Turn]:
    """HQ's gateway holds at least one child SA with the branch; a rekeyed one is removed after its heir came."""
    held = 0
    for o in seen:
        if o.source != "hq-gateway":
            continue
        is_ours = o.data.get("peer") == plan.branch.tunnel.local_id
        if o.kind == "child.installed" and is_ours:
            held += 1
            yield Turn(o.at_ns, "up", f"HQ's gateway installs a child SA, {o.data.get('esp')}")
        elif o.kind == "child.removed" and is_ours and held:
            held -= 1
            if not held:
                yield Turn(o.at_ns, "down", "HQ's gateway removes the child SA")
        elif o.kind in ("ike.started", "gateway.closed") and held:
            held = 0
            yield Turn(o.at_ns, "down", f"HQ's gateway {'starts anew' if o.kind == 'ike.started' else 'is closed'}")


def _turn_lan(seen: Iterable[Observation], client: str) -> Iterator[Turn]:
    for o in seen:
        if o.source != client:
            continue
        verb, ok = o.data.get("verb"), o.data.get("ok")
        if o.kind == "lease.obtained":
            yield Turn(o.at_ns, "up", f"the client has the lease of {o.data.get('address')}")
        elif o.kind == ANSWERED and verb == "lease" and ok is False:
            yield Turn(o.at_ns, "down", f"the client gets no lease: {o.data.get('error')}")
        elif o.kind == ANSWERED and verb == "ping" and ok is True and _is_answered(o.data.get("result")):
            yield Turn(o.at_ns, "up", "the client's echo is answered")


def _is_answered(result: Any) -> bool:
    return isinstance(result, Mapping) and as_count(result.get("received")) > 0
