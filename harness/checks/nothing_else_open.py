"""nothing_else_open: a sweep of ports finds nothing beyond what the profile opens, from inside, from HQ, from outside.

Swept by TCP: ports 1 to 1023, those that are commonly attacked, and every port that the router itself says it listens
on. From each client: the router's own addresses, and every place of which the matrix does not open everything. From
HQ: the router and the clients that the tunnel leads to. From outside of the first uplink: the router's address there.
By UDP the services that a router may have are asked in their own words. Each vantage also finds what it must find (the
router's name service, its own web server, and an echo of the router's), so that silence means something.

Not here: where the profile sets them, administration's ports at the router (administration_from_hq_only, monitoring);
the services tried in each cell of the matrix (matrix). Clauses of NIST SP 800-53 are from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from harness.checks._matrix_cells import list_services
from harness.checks._port_sweep import (
    ATTACKED,
    NAME,
    TABLES,
    View,
    count_ports,
    label_listening,
    label_sweep,
    list_others,
    list_own,
    list_ports,
    list_swept,
    list_udp,
    list_views,
    read_listening,
)
from harness.checks._port_sweep_sample import UNMANAGED, change_scan, example
from harness.checks._shared import HQ
from harness.checks._vantages import (
    SWEEP_TIMEOUT_S,
    TRY_S,
    Spot,
    ask_leases,
    ask_sweep,
    ask_wan,
    build_try,
    find_again,
    find_lease,
    find_wan,
    is_in_tunnel,
    is_open,
    is_wide_open,
    list_all_clients,
    list_places,
    read_outcomes,
    spoil_reach,
)
from harness.checks.administration_from_hq_only import DOORS
from harness.core.entries import Check, Evidence, Example, Spoil, as_list, hold, leave_open
from harness.core.model import Ask, Finding, Plan
from harness.core.sections import Segment
from harness.stages._shared import LEASE_TIMEOUT_S

OWN_SERVICES = ("tcp/53", "udp/53")  # the router is its segments' resolver


def why_not(plan: Plan) -> str | None:
    return None if list_all_clients(plan) else "no segment has a port with a client on it"


def _is_opened(plan: Plan, view: View, segment: Segment | None, address: str, port: int) -> bool:
    """Say whether the profile opens a port to a vantage, or another check looks after it."""
    service = f"tcp/{port}"
    if address == view.control[0] and service == view.control[1]:
        return True
    return plan.branch.administration is not None and address in list_own(plan) and service in DOORS


# ---------------------------------------------------------------- asking


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    leases = ask_leases(plan, evidence)
    if leases:
        return leases
    due = [Ask("router", "fetch", {"path": path}, label_listening(NAME, path)) for path in TABLES]
    due.append(ask_wan(plan))
    if any(evidence.find_answer(ask.label) is None for ask in due):
        return tuple(due)
    ports = list_ports(evidence, NAME)
    for view, segment in list_views(plan, evidence):
        targets = list(list_swept(plan, evidence, view, segment))
        args = {"targets": targets, "ports": ports, "rate": view.rate, "timeout_s": TRY_S}
        due += [Ask(view.node, "scan", args, label_sweep("scan", view.node)), _ask_udp(plan, evidence, view)]
    return tuple(due)


def _ask_udp(plan: Plan, evidence: Evidence, view: View) -> Ask:
    tries = [build_try(address, service) for address, service in list_udp(plan, evidence, view)]
    return ask_sweep(view.node, tries, label_sweep("udp", view.node), find_again(plan))


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    found = [_judge_listening(evidence)]
    views = list_views(plan, evidence)
    for view, segment in views:
        found += [_judge_tcp(plan, evidence, view, segment), _judge_udp(plan, evidence, view, segment)]
    for client, segment in list_all_clients(plan):
        if find_lease(evidence, client) is None:
            claim = f"{segment.name} ({client}) finds nothing open beyond the profile"
            found.append(leave_open(NAME, claim, "nothing", "nothing: the client has no lease to try with"))
    if find_wan(plan, evidence) is None:
        claim = "the far side of the uplink finds nothing open beyond the profile"
        found.append(leave_open(NAME, claim, "nothing", "nothing: it never told the address that it gave the router"))
    return tuple(found)


def _judge_listening(evidence: Evidence) -> Finding:
    answers = [evidence.find_answer(label_listening(NAME, path)) for path in TABLES]
    ports = read_listening(evidence, NAME)
    claim, expected = "every port that the router listens on was among those swept", "the router's list of them"
    if answers[0] is None or not answers[0].ok or not ports:
        return leave_open(NAME, claim, expected, "nothing: the list was not to be had", answers)
    return hold(NAME, True, claim, expected, f"{len(ports)}: {', '.join(map(str, ports))}", answers)


def _judge_tcp(plan: Plan, evidence: Evidence, view: View, segment: Segment | None) -> Finding:
    claim = f"{view.name} finds no TCP port open beyond the profile"
    answer = evidence.find_answer(label_sweep("scan", view.node))
    echoed = evidence.find_answer(label_sweep("udp", view.node))
    told = answer.get("answers") if answer is not None and answer.ok else None
    if not isinstance(told, dict):
        error = answer.error if answer is not None else "no answer"
        return leave_open(NAME, claim, "none", f"nothing: {error}", [answer])
    others = {s.address: s for s in list_others(plan, evidence, view, segment)}
    found = {address: as_list(ports.get("open")) for address, ports in told.items() if isinstance(ports, dict)}
    wrong: list[str] = []
    for address, opened in found.items():
        wrong += _list_wrong(plan, view, segment, address, others.get(address), opened)
    if wrong:
        return hold(NAME, False, claim, "none", f"open: {', '.join(wrong[:8])}", [answer])
    why = _find_blindness(plan, evidence, view, segment, found)
    if why is not None:
        return leave_open(NAME, claim, "none", f"nothing: {why}", [answer, echoed])
    seen = f"none of {count_ports(evidence, NAME)} ports at {len(found)} addresses"
    return hold(NAME, True, claim, "none", seen, [answer, echoed])


def _list_wrong(  # noqa: PLR0917 - one place swept, all that is known of it
    plan: Plan, view: View, segment: Segment | None, address: str, spot: Spot | None, ports: Iterable[Any]
) -> list[str]:
    wrong = [int(p) for p in ports if not _is_opened(plan, view, segment, address, int(p))]
    if spot is None and address == view.control[0] and view.node == HQ:
        return []  # its own address, swept only to see that the sweep works
    if spot is not None and segment is not None:
        tried = list_services(plan, segment, spot.place)
        wrong = [p for p in wrong if f"tcp/{p}" not in tried and not is_open(segment, spot.place, f"tcp/{p}")]
    name = spot.node if spot is not None else "the router"
    return [f"{port} at {address} ({name})" for port in wrong]


def _find_blindness(
    plan: Plan, evidence: Evidence, view: View, segment: Segment | None, found: Mapping[str, list[Any]]
) -> str | None:
    """Return why finding nothing would prove nothing, or None where it does."""
    answer = evidence.find_answer(label_sweep("scan", view.node))
    echoed = evidence.find_answer(label_sweep("udp", view.node))
    missed = [address for address in list_swept(plan, evidence, view, segment) if address not in found]
    missed += [] if answer is None else map(str, as_list(answer.get("no_way")))
    if missed:
        return f"{', '.join(missed[:4])} was not swept"
    if answer is None or answer.get("asked") != count_ports(evidence, NAME):
        return "not every port was swept"
    address, service = view.control
    if service and int(service.partition("/")[2]) not in found[address]:
        return f"the sweep did not even find {service} of {address}"
    outcomes = read_outcomes(echoed, len(list_udp(plan, evidence, view)))
    return None if outcomes is not None and outcomes[0] == "open" else f"not even an echo came back from {view.echo}"


def _judge_udp(plan: Plan, evidence: Evidence, view: View, segment: Segment | None) -> Finding:
    claim = f"{view.name} finds no UDP service of the router's beyond the profile"
    answer = evidence.find_answer(label_sweep("udp", view.node))
    listed = list_udp(plan, evidence, view)
    outcomes = read_outcomes(answer, len(listed))
    if outcomes is None:
        error = answer.error if answer is not None else "no answer"
        return leave_open(NAME, claim, "none", f"nothing: {error}", [answer])
    opened = {item for item, outcome in zip(listed, outcomes, strict=True) if outcome == "open"}
    allowed = {(view.control[0], service) for service in OWN_SERVICES} if segment is not None else set()
    wrong = sorted(opened - allowed - {listed[0]})
    if wrong:
        told = ", ".join(f"{service} at {address}" for address, service in wrong[:8])
        return hold(NAME, False, claim, "none", f"answered: {told}", [answer])
    if segment is not None and (view.control[0], "udp/53") not in opened:
        return leave_open(NAME, claim, "none", "nothing: not even the router's name service answered", [answer])
    if listed[0] not in opened:
        return leave_open(NAME, claim, "none", "nothing: not even an echo came back", [answer])
    return hold(NAME, True, claim, "none", f"none of {len(listed) - 1} tries answered that should not", [answer])


# ---------------------------------------------------------------- weakening


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    """Open, in each cell that is not open as a whole, a port that no other check tries."""
    found: list[Spoil] = []
    for segment in plan.branch.segments:
        for place in list_places(plan, segment):
            tried = list_services(plan, segment, place)
            if is_wide_open(segment, place) or not tried or (place == "hq" and not is_in_tunnel(plan, segment)):
                continue
            port = next(p for p in reversed(ATTACKED) if f"tcp/{p}" not in (*tried, *DOORS))
            found.append(spoil_reach(plan, segment, place, f"tcp/{port}"))
    return tuple(found)


CHECK = Check(
    name=NAME,
    order=24,
    title="A sweep of ports finds nothing open beyond the profile",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + SWEEP_TIMEOUT_S + 10.0,
    disturbs=True,  # thousands of packets, behind which those of others would wait
    clauses=(
        "PCI DSS 4.0.1 1.3.1",
        "PCI DSS 4.0.1 1.4.2",
        "PCI DSS 4.0.1 2.2.4",
        "NIST SP 800-53 SC-7(5)",
        "NIST SP 800-53 CM-7",
    ),
    spoils=spoils,
)

EXAMPLES = (
    Example("nothing but the router's name service", "PASS", example()),
    Example("SSH from HQ is for another check to judge", "PASS", example([(HQ, "10.20.10.1", 22)])),
    Example("a guest finds a port of a staff client", "FAIL", example([("client2", "10.20.10.100", 9200)])),
    Example("a guest finds a port of the router's", "FAIL", example([("client3", "10.20.30.1", 5000)])),
    Example("the name service of another segment", "FAIL", example([("client2", "10.20.10.1", 53)])),
    Example("HQ finds a client's port", "FAIL", example([(HQ, "10.20.10.100", 3389)])),
    Example("the carrier finds a port", "FAIL", example([("carrier", "100.64.0.2", 7547)])),
    Example("the carrier is answered by the name service", "FAIL", example((), [("carrier", "100.64.0.2", "udp/53")])),
    Example("nobody else looks after SSH", "FAIL", example([(HQ, "10.20.10.1", 22)], plan=UNMANAGED), UNMANAGED),
    Example(
        "nobody else looks after SNMP",
        "FAIL",
        example((), [("client2", "10.20.30.1", "udp/161")], plan=UNMANAGED),
        UNMANAGED,
    ),
    Example("HQ finds its own web server, and the tunnel is dead", "INCONCLUSIVE", example(cut=HQ)),
    Example("an address was not swept", "INCONCLUSIVE", change_scan(HQ, no_way=["10.20.10.1"])),
    Example("not every port was swept", "INCONCLUSIVE", change_scan("client2", asked=10)),
    Example("a sweep that tells of no address", "INCONCLUSIVE", change_scan("carrier", answers={})),
    Example("a guest's sweep finds not even what it must", "INCONCLUSIVE", example(deaf="client2")),
    Example("the far side of the uplink is deaf", "INCONCLUSIVE", example(deaf="carrier")),
    Example("the router's own list is not to be had", "INCONCLUSIVE", example(table="")),
    Example("nobody outside knows the router's address", "INCONCLUSIVE", example()[1:]),
)
