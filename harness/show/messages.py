"""What travels between the nodes, from what they saw of it. Layer: show, pure.

One message an observation at most. What is said at both ends is told once, by the end that is not the device where
there is one. Not here: what of it stays on the page (picture.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from string import Formatter
from typing import Any

from harness.core.faults import BENCH
from harness.core.model import Observation
from harness.reports.escape import escape
from harness.show.scene import Message

ROUTER, CARRIER, MANAGEMENT, GATEWAY, ENDPOINT, INTERNET = (
    "router", "carrier", "management", "hq-gateway", "hq-endpoint", "internet",
)  # fmt: skip
MOST_TEXT = 200
Tell = Callable[[Mapping[str, Any]], str]
Route = tuple[str, str, str, Tell]
"""Source, target and kind of a message, and its text. ``*`` for an end: whoever saw it."""


def show_text(text: object, most: int = MOST_TEXT) -> str:
    """Return a text that nothing in it can act through, and not endless."""
    shown = str(text)
    return escape(shown if len(shown) <= most else f"{shown[:most]}...")


def find_message(number: int, seen: Observation, at_s: float) -> Message | None:
    """Return what an observation says of something that went between two nodes, or None."""
    label = str(seen.data.get("label") or "")
    if seen.kind == "command.done" and label.startswith(BENCH):
        return Message(at_s, "bench", seen.source, "bench", show_text(_tell_order(label, seen.data)), number)
    route = _ROUTES.get((seen.source if not seen.source.startswith("client") else "client", seen.kind))
    if route is None:
        return None
    source, target, kind, tell = route
    ends = [seen.source if end == "*" else end for end in (source, target)]
    return Message(at_s, ends[0], ends[1], kind, show_text(tell(seen.data)), number)


def _tell_order(label: str, data: Mapping[str, Any]) -> str:
    words = label.removeprefix(BENCH).split(".")
    failed = "" if data.get("ok") else f": {data.get('error')}"
    if len(words) >= 3 and words[1].startswith("hand"):  # see harness.show.orders
        return f"by hand: {words[2]} {words[0]}{failed}"
    return f"{data.get('verb')}{failed}"


def _tell_restconf(data: Mapping[str, Any]) -> str:
    what = str(data.get("path", "")).rpartition(":")[2] or str(data.get("path", ""))
    tag = f" {data['error_tag']}" if data.get("error_tag") else ""
    return f"{data.get('method')} {what} {data.get('status')}{tag}: {data.get('summary')}"


def _tell_syslog(data: Mapping[str, Any]) -> str:
    return f"<{data.get('facility')}.{data.get('severity')}> {data.get('app')}: {data.get('text')}"


def _tell_pdn(data: Mapping[str, Any]) -> str:
    return f"{data.get('apn')}: address {data.get('address')}, MTU {data.get('mtu')}"


def _tell_lease(data: Mapping[str, Any]) -> str:
    return f"DHCP lease {data.get('address')} for {data.get('lease_s')} s"


def _fill(words: str) -> Tell:
    """Return a teller of our own words with the fields in braces filled in; one that is not there is ``None``."""
    names = [name for _, name, _, _ in Formatter().parse(words) if name]
    return lambda data: words.format_map({name: data.get(name) for name in names})


_ROUTES: dict[tuple[str, str], Route] = {
    (ROUTER, "boot.started"): (ROUTER, ROUTER, "boot", _fill("boots after {cause}")),
    (ROUTER, "slot.started"): (ROUTER, ROUTER, "boot", _fill("starts release {release} of slot {slot}")),
    (ROUTER, "slot.written"): (ROUTER, ROUTER, "boot", _fill("wrote release {release} to slot {slot}")),
    (ROUTER, "slot.fell_back"): (ROUTER, ROUTER, "boot", _fill("falls back to slot {to_slot}: {reason}")),
    (ROUTER, "at.command"): (ROUTER, ROUTER, "at", _fill("> {line}")),
    (ROUTER, "at.response"): (ROUTER, ROUTER, "at", _fill("< {line}")),
    (CARRIER, "attach.accepted"): (ROUTER, CARRIER, "radio", _fill("attach accepted")),
    (CARRIER, "attach.refused"): (CARRIER, ROUTER, "radio", _fill("attach refused: {cause_name}")),
    (CARRIER, "pdn.granted"): (CARRIER, ROUTER, "radio", _tell_pdn),
    (CARRIER, "pdn.refused"): (CARRIER, ROUTER, "radio", _fill("{apn} refused: {cause_name}")),
    (MANAGEMENT, "session.refused"): (ROUTER, MANAGEMENT, "restconf", _fill("session refused: {reason}")),
    (MANAGEMENT, "restconf.exchanged"): (ROUTER, MANAGEMENT, "restconf", _tell_restconf),
    (MANAGEMENT, "image.served"): (MANAGEMENT, ROUTER, "image", _fill("firmware image, {bytes} bytes")),
    (INTERNET, "dhcp.leased"): (INTERNET, ROUTER, "dhcp", _tell_lease),
    ("client", "lease.obtained"): (ROUTER, "*", "dhcp", _tell_lease),
    (GATEWAY, "sa.established"): (ROUTER, GATEWAY, "ike", _fill("IKE SA {ike} with {remote_id}")),
    (GATEWAY, "sa.refused"): (GATEWAY, ROUTER, "ike", _fill("refused: {reason} {detail}")),
    (GATEWAY, "child.installed"): (GATEWAY, ROUTER, "ike", _fill("tunnel installed, {esp} {means}")),
    (GATEWAY, "child.removed"): (GATEWAY, ROUTER, "ike", _fill("tunnel removed")),
    (ROUTER, "tunnel.failed"): (ROUTER, GATEWAY, "ike", _fill("{exchange} failed: {reason}")),
    (ENDPOINT, "log.received"): (ROUTER, ENDPOINT, "syslog", _tell_syslog),
    (ENDPOINT, "echo.received"): (ROUTER, ENDPOINT, "ping", _fill("echo from {source}")),
    (INTERNET, "alert.received"): (MANAGEMENT, INTERNET, "alert", _fill("{condition} {state}: {subject}")),
}
