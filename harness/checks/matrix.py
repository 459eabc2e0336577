"""matrix: every cell of the matrix, from every client, over TCP, UDP and ICMP: what it opens is open, the rest shut.

A denied try counts only where nothing came back *and*, over UDP and ICMP, nothing arrived at the target (a router that
drops answers alone would still let data out). It counts for nothing where the target was down or the client cut off:
each denied cell needs both proven alive. Not here: what goes on inside a segment (clients_isolated), ports beyond these
(nothing_else_open), what an application firewall does to what the matrix opens (applications).

Clauses of NIST SP 800-53 are from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from emulators.common.controls import ANY
from harness.checks._matrix_cells import TRIED, Outcome, list_services, list_tries
from harness.checks._shared import HQ, find_router_address
from harness.checks._vantages import (
    INTERNET_NODE,
    SWEEP_TIMEOUT_S,
    Spot,
    ask_in_steps,
    ask_sweep,
    build_try,
    find_again,
    find_lease,
    is_alive,
    is_arrived,
    is_in_tunnel,
    is_open,
    label_arrived,
    label_forget,
    list_all_clients,
    list_places,
    list_spots,
    list_targets,
    read_outcomes,
    spoil_reach,
)
from harness.core.entries import Answer, Check, Evidence, Example, Seen, Spoil, hold, leave_open
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.sections import Segment
from harness.stages._shared import LEASE_TIMEOUT_S, label_lease

NAME = "matrix"


def why_not(plan: Plan) -> str | None:
    return None if list_all_clients(plan) else "no segment has a port with a client on it"


def _label(client: str) -> str:
    return f"{NAME}.{client}"


def _sweeps(plan: Plan, evidence: Evidence) -> Sequence[Ask]:
    due = []
    for client, segment in list_all_clients(plan):
        if find_lease(evidence, client):
            tries = [build_try(find_router_address(segment), "icmp")]
            listed = list_tries(plan, evidence, NAME, client, segment)
            tries += [build_try(t.spot.address, t.service, t.token) for t in listed]
            due.append(ask_sweep(client, tries, _label(client), find_again(plan)))
    return due


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    return ask_in_steps(plan, evidence, NAME, _sweeps)


# ---------------------------------------------------------------- judging


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    seen = {c: _read(plan, evidence, c, s) for c, s in list_all_clients(plan)}
    reached = {s.tried.spot.node for found in seen.values() for s in found or () if s.outcome == "open"}
    answers = {c: evidence.find_answer(_label(c)) for c in seen}
    if evidence.find_first("management", "heartbeat.received") is not None:  # whom nobody may reach, the router does
        reached.add(INTERNET_NODE)
    linked = {c for c, answer in answers.items() if _is_linked(answer)}
    found: list[Finding] = []
    for client, segment in list_all_clients(plan):
        for spot in _spots_wanted(plan, evidence, segment):
            claim = f"{segment.name} ({client}) to {spot.place} ({spot.node})"
            evident = [answers[client], evidence.find_answer(label_arrived(NAME, spot.node))]
            tries = [s for s in seen[client] or () if s.tried.spot == spot]
            expected = _expect(segment, spot.place)
            if not spot.address or seen[client] is None or not tries:
                missing = _tell_missing(evidence, client, spot)
                found.append(leave_open(NAME, claim, expected, missing, evident))
                continue
            blind = _find_blindness(client, spot, tries, linked=linked, reached=reached, evidence=evidence)
            found.append(_judge_cell(claim, expected, tries, blind, evident))
    return tuple(found)


def _judge_cell(
    claim: str, expected: str, tries: Sequence[Outcome], blind: str | None, evident: Sequence[Answer | None]
) -> Finding:
    wrong = [s for s in tries if not s.holds]
    if not wrong and blind and any(not s.tried.may for s in tries):
        return leave_open(NAME, claim, expected, blind, evident)
    told = ", ".join(s.tell() for s in wrong) if wrong else _count(tries)
    return hold(NAME, not wrong, claim, expected, told, evident)


def _count(tries: Sequence[Outcome]) -> str:
    opened = [s.tried.service for s in tries if s.tried.may]
    return f"{len(opened)} of {len(tries)} tries open, as they should be, the rest shut"


def _expect(segment: Segment, place: str) -> str:
    named = [s for row in segment.reach if row.to == place for s in row.open]
    return f"open: {', '.join(named)}; all else shut" if named else "all shut"


def _spots_wanted(plan: Plan, evidence: Evidence, segment: Segment) -> Iterator[Spot]:
    """Yield every place to be tried, one without an address where its client has none."""
    there = {spot.node: spot for spot in list_spots(plan, evidence)}
    for client, other in list_all_clients(plan):
        if other is not segment:
            yield there.get(client, Spot(other.name, client, ""))
    yield from (there[node] for node in (HQ, "internet") if list_services(plan, segment, there[node].place))


def _read(plan: Plan, evidence: Evidence, client: str, segment: Segment) -> tuple[Outcome, ...] | None:
    tries = list_tries(plan, evidence, NAME, client, segment)
    outcomes = read_outcomes(evidence.find_answer(_label(client)), len(tries) + 1)
    if outcomes is None:
        return None
    arrived = {node: evidence.find_answer(label_arrived(NAME, node)) for node in list_targets(plan)}
    return tuple(
        Outcome(t, outcome, is_arrived(arrived.get(t.spot.node), t.token))
        for t, outcome in zip(tries, outcomes[1:], strict=True)
    )


def _is_linked(answer: Answer | None) -> bool:
    """Say whether a client reached anything: its gateway is the first of its tries."""
    outcomes = answer.get("outcomes") if answer is not None and answer.ok else None
    return isinstance(outcomes, list) and "open" in outcomes


def _tell_missing(evidence: Evidence, client: str, spot: Spot) -> str:
    if not spot.address:
        return f"nothing: {spot.node} has no lease to be tried at"
    if find_lease(evidence, client) is None:
        return "nothing: the client has no lease to try with"
    answer = evidence.find_answer(_label(client))
    return f"nothing: {answer.error or 'the tries are not those asked for'}" if answer else "nothing"


def _find_blindness(
    client: str, spot: Spot, tries: Sequence[Outcome], *, linked: set[str], reached: set[str], evidence: Evidence
) -> str | None:
    """Return why silence would prove nothing here, or None where it does."""
    if client not in linked:
        return "nothing: the client reached not even its gateway"
    if not is_alive(evidence.find_answer(label_arrived(NAME, spot.node))):
        return f"nothing: the answerer of {spot.node} does not work"
    if spot.node not in reached and spot.node not in linked:
        return f"nothing: {spot.node} answered nobody, and reached nobody"
    return None


# ---------------------------------------------------------------- weakening


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    """Open a denied cell by one service (the twin), then each cell: all of a denied one, one service more of others."""
    shut = [
        (segment, place)
        for segment in plan.branch.segments
        for place in list_places(plan, segment)
        if not is_open(segment, place, ANY) and list_services(plan, segment, place)
        if place != "hq" or is_in_tunnel(plan, segment)  # else nothing would carry it, whatever the filter opens
    ]
    inner = [(s, place) for s, place in shut if place not in ("hq", "internet") and _is_denied(s, place)]
    twins = [_spoil_one(plan, *cell) for cell in (inner or shut)[:1]]
    rest = [spoil_reach(plan, s, p, ANY) if _is_denied(s, p) else _spoil_one(plan, s, p) for s, p in shut]
    return (*twins, *rest)


def _is_denied(segment: Segment, place: str) -> bool:
    return not any(row.to == place for row in segment.reach)


def _spoil_one(plan: Plan, segment: Segment, place: str) -> Spoil:
    shut = next(s for s in TRIED if not is_open(segment, place, s))
    return spoil_reach(plan, segment, place, shut)


CHECK = Check(
    name=NAME,
    order=22,
    title="Segments may open what the matrix says, and nothing else",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + SWEEP_TIMEOUT_S,
    clauses=(
        "PCI DSS 4.0.1 1.3.1",
        "PCI DSS 4.0.1 1.3.2",
        "PCI DSS 4.0.1 1.4.1",
        "PCI DSS 4.0.1 11.4.5",
        "45 CFR 164.312(a)(1)",
        "NIST SP 800-53 AC-4",
        "NIST SP 800-53 SC-7",
        "NIST SP 800-53 SC-7(5)",
    ),
    spoils=spoils,
)

_PLAN = build_plan()
_SHUT = build_plan(segments=(_PLAN.branch.segments[0], replace(_PLAN.branch.segments[1], reach=())))
_INSIDE = build_plan(
    segments=tuple(replace(s, reach=tuple(r for r in s.reach if r.to == "hq")) for s in _PLAN.branch.segments)
)
_BEAT = saw("management", "heartbeat.received", 3.0, serial="SK-000017")
_LEASES = {"client1": "10.20.10.100", "client2": "10.20.30.100", "client3": "10.20.30.101"}


def _example(
    changes: Mapping[tuple[str, str, str], str] | None = None,
    *,
    arrived: tuple[tuple[str, str, str], ...] = (),
    dead: str = "",
    unlinked: str = "",
    plan: Plan = _PLAN,
) -> tuple[Observation, ...]:
    """Return a run in which all goes as the matrix says, but for `changes`: (client, node, service) to outcome."""
    leased = [answered(c, label_lease(c), 1.0, {"address": _LEASES[c]}) for c, _ in list_all_clients(plan)]
    evidence = Evidence(Seen(i, s) for i, s in enumerate(leased))
    nodes = list_targets(plan)
    tokens: dict[str, list[str]] = {node: [] for node in nodes}
    swept = []
    for client, segment in list_all_clients(plan):
        outcomes = ["silent" if client == unlinked else "open"]
        for item in list_tries(plan, evidence, NAME, client, segment):
            place = (client, item.spot.node, item.service)
            may = item.may and client != unlinked
            outcome = (changes or {}).get(place, "open" if may else "silent")
            outcomes.append(outcome)
            if outcome == "open" or place in arrived:
                tokens[item.spot.node].append(item.token)
        swept.append(answered(client, _label(client), 4.0, {"outcomes": outcomes}))
    told = [
        answered(node, label(NAME, node), at_s, _tell_arrivals(tokens[node] if at_s > 4 else [], node != dead))
        for label, at_s in ((label_forget, 2.0), (label_arrived, 5.0))
        for node in nodes
    ]
    return (*leased, *swept, *told)


def _tell_arrivals(tokens: Sequence[str], alive: bool) -> dict[str, object]:
    return {"arrived": [{"token": token} for token in tokens], "alive": alive, "macs": {}}


EXAMPLES = (
    Example("each cell as the matrix says", "PASS", _example()),
    Example("a guest opens a port of the staff's", "FAIL", _example({("client2", "client1", "tcp/445"): "open"})),
    Example("a guest's ping comes back from HQ", "FAIL", _example({("client3", HQ, "icmp"): "open"})),
    Example(
        "nothing comes back to the guest, but its datagram arrived at HQ",
        "FAIL",
        _example(arrived=(("client2", HQ, "udp/5004"),)),
    ),
    Example("the staff do not get at HQ by UDP", "FAIL", _example({("client1", HQ, "udp/5004"): "silent"})),
    Example("HQ resets what the staff may open", "FAIL", _example({("client1", HQ, "tcp/443"): "refused"})),
    Example("the guests get a reset where they may not", "PASS", _example({("client2", HQ, "tcp/22"): "refused"})),
    Example("the answerer at HQ is down: silence proves nothing", "INCONCLUSIVE", _example(dead=HQ)),
    Example(
        "a client is cut off: its silence proves nothing",
        "INCONCLUSIVE",
        _example(unlinked="client2", plan=_SHUT),
        _SHUT,
    ),
    Example("nobody may reach the internet, and nobody does", "PASS", (_BEAT, *_example(plan=_INSIDE)), _INSIDE),
    Example("nobody may reach the internet, which is cut off", "INCONCLUSIVE", _example(plan=_INSIDE), _INSIDE),
    Example(
        "a client has no lease",
        "INCONCLUSIVE",
        tuple(
            answered("client3", label_lease("client3"), 1.0, None, "LeaseError: x")
            if s.data.get("label") == label_lease("client3")
            else s
            for s in _example()
            if s.data.get("label") != _label("client3")
        ),
    ),
    Example("no witness tells what arrived", "INCONCLUSIVE", _example()[:-5]),
)
