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

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from harness.checks import monitoring
from harness.checks._matrix_cells import list_services
from harness.checks._port_sweep import (
    ATTACKED,
    ROUTER_UDP,
    TABLES,
    View,
    count_ports,
    label_listening,
    list_others,
    list_own,
    list_ports,
    list_router,
    list_swept,
    list_views,
    read_listening,
)
from harness.checks._shared import HQ
from harness.checks._vantages import (
    LABEL_WAN,
    SWEEP_TIMEOUT_S,
    TRY_S,
    WAN_ROUTES,
    Spot,
    ask_leases,
    ask_sweep,
    ask_wan,
    build_try,
    find_again,
    find_lease,
    find_wan,
    hand_out,
    is_in_tunnel,
    is_open,
    is_wide_open,
    list_all_clients,
    list_places,
    read_outcomes,
    spoil_reach,
)
from harness.checks.administration_from_hq_only import DOORS, SNMP
from harness.core.entries import Check, Evidence, Example, Seen, Spoil, as_list, hold, leave_open
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan
from harness.core.sections import Segment
from harness.stages._shared import LEASE_TIMEOUT_S, label_lease

NAME = "nothing_else_open"
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


def _label(what: str, node: str) -> str:
    return f"{NAME}.{what}.{node}"


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
        due += [Ask(view.node, "scan", args, _label("scan", view.node)), _ask_udp(plan, evidence, view)]
    return tuple(due)


def _list_udp(plan: Plan, evidence: Evidence, view: View) -> tuple[tuple[str, str], ...]:
    addresses = list_router(plan, evidence, view)
    services = ROUTER_UDP if monitoring.why_not(plan) is None else (*ROUTER_UDP, SNMP)
    return ((view.echo, "icmp"), *((address, service) for address in addresses for service in services))


def _ask_udp(plan: Plan, evidence: Evidence, view: View) -> Ask:
    tries = [build_try(address, service) for address, service in _list_udp(plan, evidence, view)]
    return ask_sweep(view.node, tries, _label("udp", view.node), find_again(plan))


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
    answer, echoed = evidence.find_answer(_label("scan", view.node)), evidence.find_answer(_label("udp", view.node))
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
    answer, echoed = evidence.find_answer(_label("scan", view.node)), evidence.find_answer(_label("udp", view.node))
    missed = [address for address in list_swept(plan, evidence, view, segment) if address not in found]
    missed += [] if answer is None else map(str, as_list(answer.get("no_way")))
    if missed:
        return f"{', '.join(missed[:4])} was not swept"
    if answer is None or answer.get("asked") != count_ports(evidence, NAME):
        return "not every port was swept"
    address, service = view.control
    if service and int(service.partition("/")[2]) not in found[address]:
        return f"the sweep did not even find {service} of {address}"
    outcomes = read_outcomes(echoed, len(_list_udp(plan, evidence, view)))
    return None if outcomes is not None and outcomes[0] == "open" else f"not even an echo came back from {view.echo}"


def _judge_udp(plan: Plan, evidence: Evidence, view: View, segment: Segment | None) -> Finding:
    claim = f"{view.name} finds no UDP service of the router's beyond the profile"
    answer = evidence.find_answer(_label("udp", view.node))
    listed = _list_udp(plan, evidence, view)
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

_PLAN, _UNMANAGED = build_plan(), build_plan(administration=None, monitoring=None)
_GIVEN = answered("carrier", LABEL_WAN, 1.5, hand_out(WAN_ROUTES))
_LEASES = {"client1": "10.20.10.100", "client2": "10.20.30.100", "client3": "10.20.30.101"}
_SOCKETS = (
    "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n"
    "   0: 00000000:0016 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 22\n"
    "   1: 0A14140A:0035 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 23\n"
    "   2: 0A14140A:8AE0 0A14140A:0050 01 00000000:00000000 00:00000000 00000000     0        0 24\n"
)


def _example(
    opened: Sequence[tuple[str, str, int]] = (),
    answering: Sequence[tuple[str, str, str]] = (),
    *,
    deaf: str = "",
    cut: str = "",
    table: str = _SOCKETS,
    plan: Plan = _PLAN,
) -> tuple[Observation, ...]:
    """Return a run that finds what it must, and besides `opened` (who, address, TCP port) and `answering` (by UDP).
    `deaf`: who hears of nothing; `cut`: who hears of nothing but its own."""
    seen = [_GIVEN, *(answered(c, label_lease(c), 1.0, {"address": a}) for c, a in _LEASES.items())]
    data = hand_out(table)
    seen += [answered("router", label_listening(NAME, path), 2.0, data) for path in TABLES]
    evidence = Evidence(Seen(i, s) for i, s in enumerate(seen))
    for view, segment in list_views(plan, evidence):
        found: dict[str, set[int]] = {a: set() for a in list_swept(plan, evidence, view, segment)}
        if view.control[1] and view.node != deaf:
            found[view.control[0]].add(int(view.control[1].partition("/")[2]))
        for node, address, port in opened:
            if node == view.node:
                found[address].add(port)
        told = {address: {"open": sorted(ports), "refused": []} for address, ports in found.items()}
        seen.append(
            answered(
                view.node,
                _label("scan", view.node),
                4.0,
                {"answers": told, "asked": count_ports(evidence, NAME), "no_way": []},
            )
        )
        heard = {(view.echo, "icmp"), *((a, s) for node, a, s in answering if node == view.node)}
        heard |= {(view.control[0], "udp/53")} if segment is not None else set()
        listed = _list_udp(plan, evidence, view)
        outcomes = ["open" if item in heard and view.node not in (deaf, cut) else "silent" for item in listed]
        seen.append(answered(view.node, _label("udp", view.node), 4.0, {"outcomes": outcomes}))
    return tuple(seen)


def _change_scan(node: str, **changes: Any) -> tuple[Observation, ...]:
    """Return a run in which the answer of one node's sweep differs."""
    return tuple(
        answered(node, _label("scan", node), 4.0, {**s.data["result"], **changes})
        if s.data.get("label") == _label("scan", node)
        else s
        for s in _example()
    )


EXAMPLES = (
    Example("nothing but the router's name service", "PASS", _example()),
    Example("SSH from HQ is for another check to judge", "PASS", _example([(HQ, "10.20.10.1", 22)])),
    Example("a guest finds a port of a staff client", "FAIL", _example([("client2", "10.20.10.100", 9200)])),
    Example("a guest finds a port of the router's", "FAIL", _example([("client3", "10.20.30.1", 5000)])),
    Example("the name service of another segment", "FAIL", _example([("client2", "10.20.10.1", 53)])),
    Example("HQ finds a client's port", "FAIL", _example([(HQ, "10.20.10.100", 3389)])),
    Example("the carrier finds a port", "FAIL", _example([("carrier", "100.64.0.2", 7547)])),
    Example("the carrier is answered by the name service", "FAIL", _example((), [("carrier", "100.64.0.2", "udp/53")])),
    Example("nobody else looks after SSH", "FAIL", _example([(HQ, "10.20.10.1", 22)], plan=_UNMANAGED), _UNMANAGED),
    Example(
        "nobody else looks after SNMP",
        "FAIL",
        _example((), [("client2", "10.20.30.1", "udp/161")], plan=_UNMANAGED),
        _UNMANAGED,
    ),
    Example("HQ finds its own web server, and the tunnel is dead", "INCONCLUSIVE", _example(cut=HQ)),
    Example("an address was not swept", "INCONCLUSIVE", _change_scan(HQ, no_way=["10.20.10.1"])),
    Example("not every port was swept", "INCONCLUSIVE", _change_scan("client2", asked=10)),
    Example("a sweep that tells of no address", "INCONCLUSIVE", _change_scan("carrier", answers={})),
    Example("a guest's sweep finds not even what it must", "INCONCLUSIVE", _example(deaf="client2")),
    Example("the far side of the uplink is deaf", "INCONCLUSIVE", _example(deaf="carrier")),
    Example("the router's own list is not to be had", "INCONCLUSIVE", _example(table="")),
    Example("nobody outside knows the router's address", "INCONCLUSIVE", _example()[1:]),
)
