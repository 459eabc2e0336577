"""admission: who gets in at each wired port, who does not, and what becomes of new devices without a RADIUS server.

At each port the right device, another right one, wrong ones and a silent one try the same. Then the server at HQ is
taken down: who is in stays in, and a new device gets what the profile says; when it is back, a new device gets in.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from harness.checks._admission_judge import DOWN, NAME, UP, find_tries, judge_in, judge_newcomer, judge_out
from harness.checks._admission_sample import EXAMPLES
from harness.checks._shared import HQ
from harness.core.admission_cast import METHODS, Device, Port, find_address, find_unlisted, list_ports
from harness.core.entries import Check, Evidence, Spoil, find_broken, leave_open
from harness.core.model import Ask, Finding, Plan
from harness.core.sections import Segment
from harness.stages._shared import ask_lease, label_lease

__all__ = ["CHECK", "EXAMPLES"]

WORDS = {"devices": 3.0, "away": 3.6, "back": 3.0}
"""The acts, and how long a device waits for its verdict in each: without a server as long as the router takes to find
that out."""
MOST_DEVICES = 8
TIMEOUT_S = 75.0


def why_not(plan: Plan) -> str | None:
    if all(segment.admission.method == "open" for segment in plan.branch.segments):
        return "the profile lets anybody in everywhere"
    return None if list_ports(plan) else "no segment has a port with a client on it"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    """One act after the other; within each, all clients side by side."""
    ports = list_ports(plan)
    asking = [port for port in ports if port.newcomer is not None]
    acts: list[list[Ask]] = [
        [ask_lease(port.client) for port in ports],
        [_attempt(plan, evidence, port, port.devices, "devices") for port in ports],
    ]
    if asking:
        acts += [
            [Ask(HQ, "radius", {"running": False}, DOWN)],
            [_attempt(plan, evidence, p, (p.devices[0], p.newcomer), "away") for p in asking if p.newcomer],
            [Ask(HQ, "radius", {"running": True}, UP)],
            [_attempt(plan, evidence, p, (p.returner,), "back") for p in asking if p.returner],
        ]
    due: list[Ask] = []
    for asks in acts:
        due += asks
        if any(evidence.find_answer(ask.label) is None for ask in asks):
            break
    return tuple(due)


def _label(port: Port, word: str) -> str:
    return f"{NAME}.{port.client}.{word}"


def _attempt(plan: Plan, evidence: Evidence, port: Port, devices: Iterable[Device], word: str) -> Ask:
    lease = evidence.find_answer(label_lease(port.client))
    told = [_describe(port, index, device, lease) for index, device in enumerate(devices)]
    others = [p.client for p in list_ports(plan) if p.segment is port.segment and p.client != port.client]
    leases = (evidence.find_answer(label_lease(client)) for client in others)
    peers = [str(found.get("address")) for found in leases if found is not None and found.get("address")]
    beyond = plan.branch.acceptance.ping_target if port.segment.may_reach("hq") else None
    args = {
        "devices": told,
        "router": port.segment.address.partition("/")[0],
        "peers": peers,
        "beyond": beyond,
        "verdict_s": WORDS[word],
    }
    return Ask(port.client, "attempt_admission", args, _label(port, word))


def _describe(port: Port, index: int, device: Device, lease: Any) -> dict[str, Any]:
    own = lease.get("address") if lease is not None and device.mac is None else None
    place = port.segment.ports.index(port.number) * MOST_DEVICES + index  # an address of its own, whatever the port
    address = str(own or find_address(port.segment, place))
    return {
        "name": device.name,
        "mac": device.mac,
        "credential": device.credential,
        "starts": device.starts,
        "address": address,
    }


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    found: list[Finding] = []
    for port in list_ports(plan):
        found += _judge_devices(plan, evidence, port)
        if port.newcomer is not None and port.returner is not None:
            found += _judge_outage(evidence, port, port.newcomer, port.returner)
    return tuple(found)


def _judge_devices(plan: Plan, evidence: Evidence, port: Port) -> list[Finding]:
    label, where = _label(port, "devices"), f"segment {port.segment.name}, port {port.number}"
    control = next((find_tries(evidence, port, d, label) for d in port.devices if d.name == "own"), None)
    found: list[Finding] = []
    for device in port.devices:
        tries = find_tries(evidence, port, device, label)
        if tries is None:
            found.append(_leave_broken(evidence, f"{where}: {device.text}", label))
        elif device.due == "in":
            found.append(judge_in(tries, f"{where}: {device.text} is in"))
        else:
            found.append(judge_out(plan, evidence, tries, control))
    return found


def _judge_outage(evidence: Evidence, port: Port, newcomer: Device, returner: Device) -> list[Finding]:
    where = f"segment {port.segment.name}, port {port.number}"
    own = port.devices[0]
    inside = find_tries(evidence, port, own, _label(port, "away"))
    tries = find_tries(evidence, port, newcomer, _label(port, "away"))
    after = find_tries(evidence, port, returner, _label(port, "back"))
    stays = f"{where}: who is in stays in while no RADIUS server answers"
    comes = f"{where}: a new right device is in when the server is back"
    away = _find_outage_fault(evidence)
    if away is not None:
        return [leave_open(NAME, stays, "a server that is away", away)]
    return [
        judge_in(inside, stays) if inside else _leave_broken(evidence, stays, _label(port, "away")),
        judge_newcomer(tries, after) if tries else _leave_broken(evidence, f"{where}: new", _label(port, "away")),
        judge_in(after, comes) if after else _leave_broken(evidence, comes, _label(port, "back")),
    ]


def _find_outage_fault(evidence: Evidence) -> str | None:
    """Return why the server's outage proves nothing, or None: it said so itself, and answered nobody meanwhile."""
    down, up = evidence.find_answer(DOWN), evidence.find_answer(UP)
    if down is None or up is None or down.get("running") is not False or up.get("running") is not True:
        return "the server was not taken down and up again"
    words = evidence.find_all(HQ, "radius.answered")
    if any(down.seen.at_ns < word.at_ns < up.seen.at_ns - _START_NS for word in words):
        return "the server answered all the same"
    return None


_START_NS = 2_000_000_000
"""A server that starts may answer what was asked again before it says that it is up. Our choice."""


def _leave_broken(evidence: Evidence, claim: str, label: str) -> Finding:
    broken = find_broken(evidence, NAME, claim, "tries that were made", label)
    answer = evidence.find_answer(label)
    return broken or leave_open(NAME, claim, "tries that were made", "no word of this device", [answer])


# ---------------------------------------------------------------- spoils


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    """The twin: the first closed segment lets anybody in."""
    closed = [(i, s) for i, s in enumerate(plan.branch.segments) if s.admission.method != "open"]
    found = [_spoil(i, f"{s.name} lets anybody in", "method", {"method": "open", "refused": "deny"}) for i, s in closed]
    for index, segment in closed:
        found += _weaken(plan, index, segment)
    return tuple(found)


def _weaken(plan: Plan, index: int, segment: Segment) -> list[Spoil]:
    admission, found = segment.admission, []
    if admission.method == "dot1x":
        more = [method for method in METHODS if method not in admission.eap]
        found += [
            _spoil(index, f"{segment.name} takes EAP-{m.upper()} too", "eap", {"eap": list(METHODS)}) for m in more
        ]
        if admission.unreachable == "deny":
            text = f"{segment.name} lets new devices in while no RADIUS server answers"
            found.append(_spoil(index, text, "unreachable", {"unreachable": "admit"}))
    if admission.method == "mac":
        macs = [*admission.macs, find_unlisted(admission.macs)]
        found.append(_spoil(index, f"{segment.name} lists one address more", "macs", {"macs": macs}))
    others = [s.name for s in plan.branch.segments if s.admission.method == "open" and s.name != admission.refused]
    if others:
        text = f"who fails in {segment.name} lands in {others[0]}"
        found.append(_spoil(index, text, "refused", {"refused": others[0]}))
    return found


def _spoil(index: int, title: str, key: str, changes: dict[str, Any]) -> Spoil:
    def change(config: dict[str, Any]) -> None:
        config["segments"][index]["admission"].update(changes)

    return Spoil(title, f"segments[{index}].admission.{key}", change)


CHECK = Check(
    name=NAME,
    order=110,
    title="Only the right devices get in at the ports",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=TIMEOUT_S,
    disturbs=True,
    # NIST identifiers: from memory (IA-3 device identification and authentication, AC-3 access enforcement)
    clauses=("45 CFR 164.312(a)(1)", "45 CFR 164.312(d)", "NIST SP 800-53 AC-3", "NIST SP 800-53 IA-3"),
    spoils=spoils,
)
