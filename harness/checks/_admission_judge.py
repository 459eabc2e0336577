"""What came of each device that tried to get in at a port: reading and judging its tries. Layer: checks, pure.

A device is *in* when the router serves it: DHCP out of its segment's range, ARP, an echo, the resolver by TCP. It got
*nothing* when none of these came back, and no other client of the segment answered it. It *landed* when DHCP served it
out of the other segment's range and its own segment stayed silent, but for ARP, which a router answers for any address
of its own (RFC 1122 section 3.3.4.2: a weak end system). What a device did not get proves nothing unless the
right one, asking the same in the same way, got it: else the claim is left open.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from harness.checks._shared import HQ
from harness.core.admission_cast import Device, Port
from harness.core.entries import Answer, Evidence, Seen, as_list, hold, leave_open
from harness.core.model import Finding, Plan
from harness.core.sections import Segment
from harness.stages._shared import find_segment_network, is_inside

NAME = "admission"
DOWN, UP = f"{NAME}.radius.down", f"{NAME}.radius.up"


@dataclass(frozen=True, slots=True)
class Tries:
    """One device's tries, as the client reported them."""

    device: Device
    port: Port
    answer: Answer
    result: Mapping[str, Any]

    def offers_from(self, segment: Segment) -> bool:
        """Say whether DHCP offered an address of a segment."""
        dhcp = self.result.get("dhcp")
        return isinstance(dhcp, Mapping) and is_inside(dhcp.get("address"), [find_segment_network(segment)])

    @property
    def heard(self) -> tuple[str, ...]:
        """What of its own segment answered it."""
        own = [word for word in ("arp", "echo", "beyond") if self.result.get(word) is True]
        own += ["tcp"] if self.result.get("tcp") in ("open", "refused") else []
        return (*own, *(f"peer {peer}" for peer in as_list(self.result.get("peers"))))

    @property
    def is_in(self) -> bool:
        return self.offers_from(self.port.segment) and {"arp", "echo", "tcp"} <= set(self.heard)

    @property
    def got_nothing(self) -> bool:
        return not self.heard and self.result.get("dhcp") is None

    def landed_in(self, segment: Segment) -> bool:
        return not set(self.heard) - {"arp"} and self.offers_from(segment)

    def tell(self) -> str:
        """Return in words what came of it."""
        dhcp, eap = self.result.get("dhcp"), self.result.get("eap")
        parts = [f"802.1X {eap}"] if eap else []
        parts.append(f"DHCP {dhcp.get('address')}" if isinstance(dhcp, Mapping) else "no DHCP")
        return ", ".join([*parts, f"answered: {', '.join(self.heard)}" if self.heard else "nothing answered"])


def find_tries(evidence: Evidence, port: Port, device: Device, label: str) -> Tries | None:
    """Return what a device got, or None where its client has not said."""
    answer = evidence.find_answer(label)
    result = answer.get(device.name) if answer is not None and answer.ok else None
    return Tries(device, port, answer, result) if answer is not None and isinstance(result, Mapping) else None


def judge_in(tries: Tries, claim: str) -> Finding:
    network = find_segment_network(tries.port.segment)
    expected = f"an address of {network} by DHCP; the router answers ARP, echo and TCP"
    return hold(NAME, tries.is_in, claim, expected, tries.tell(), [tries.answer])


def judge_out(plan: Plan, evidence: Evidence, tries: Tries, control: Tries | None) -> Finding:
    """Judge one who must not get in. `control`: the right device's tries at the same port."""
    port, device = tries.port, tries.device
    refused = port.segment.admission.refused if device.due == "out" else "deny"
    landing = next((s for s in plan.branch.segments if s.name == refused), None)
    lot = "gets nothing" if landing is None else f"lands in {refused}"
    claim = f"segment {port.segment.name}, port {port.number}: {device.text} {lot}"
    expected = "no DHCP, and nothing answers" if landing is None else f"DHCP of {refused}; nothing else answers"
    witness = _find_server_word(evidence, tries)
    seen = tries.tell() + (f"; the server said {witness.data.get('outcome')}" if witness else "")
    shown = [tries.answer, witness]
    if not (tries.got_nothing if landing is None else tries.landed_in(landing)):
        return hold(NAME, False, claim, expected, seen, shown)
    if control is None or not control.is_in:
        return leave_open(NAME, claim, expected, f"{seen}; but the right device got no more", shown)
    if device.credential is not None and witness is None:
        return leave_open(NAME, claim, expected, f"{seen}; but the server never heard of it", shown)
    return hold(NAME, True, claim, expected, seen, shown)


def judge_newcomer(tries: Tries, control: Tries | None) -> Finding:
    """Judge a new device while no server answers."""
    port = tries.port
    where = f"segment {port.segment.name}, port {port.number}"
    if port.segment.admission.unreachable == "admit":
        return judge_in(tries, f"{where}: a new device is let in while no RADIUS server answers")
    claim = f"{where}: a new device gets nothing while no RADIUS server answers"
    expected = "no DHCP, and nothing answers"
    if not tries.got_nothing:
        return hold(NAME, False, claim, expected, tries.tell(), [tries.answer])
    if control is None or not control.is_in:
        text = f"{tries.tell()}; but such a device gets no more with the server there"
        return leave_open(NAME, claim, expected, text, [tries.answer])
    return hold(NAME, True, claim, expected, tries.tell(), [tries.answer, control.answer])


def _find_server_word(evidence: Evidence, tries: Tries) -> Seen | None:
    """Return the RADIUS server's own last word on a device: the outside witness that it asked at all."""
    return evidence.find_last(HQ, "radius.answered", mac=tries.device.mac) if tries.device.credential else None
