"""Places to try the branch from: who stands there, what may be opened, what was seen to arrive. Layer: checks, pure.

Three steps are common to the checks of segmentation: the witnesses forget what came before (`ask_forget`), every place
tries at once, and the witnesses tell what arrived (`ask_arrivals`). A try is known at its target by its token, whatever
addresses it bears by then.
"""

from __future__ import annotations

import base64
import ipaddress
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from emulators.common.controls import ANY
from harness.checks._shared import HQ, find_router_address, is_awaited
from harness.core.entries import Answer, Evidence, Spoil, as_list
from harness.core.model import Ask, Plan
from harness.core.sections import Segment
from harness.stages._shared import (
    CLIENTS,
    ask_lease,
    find_segment_network,
    is_address,
    is_cellular,
    is_inside,
    label_lease,
)

INTERNET_NODE, INTERNET = "internet", "198.18.0.1"  # DEVELOPERS.md, "Links"
BEARERS, ROUTES = "gtp0", "/proc/net/route"  # a bearer is a host route of the carrier's (proc(5); its gateway.py)
LEASES = "/run/dnsmasq.leases"  # of the fixed line: expiry, station, address, name, client (dnsmasq(8))
LABEL_WAN = "wan.address"
WAN_ROUTES = "gtp0\t02004064\t00000000\t0001\t0\t0\t0\tFFFFFFFF\t0\t0\t0\n"
"""What a carrier's routes look like with a bearer of 100.64.0.2: for examples."""
TRY_S = 0.8
AGAIN, MOST_AGAIN = 1, 6
"""How often an unanswered try is made once more: a lost packet is nobody's refusal. More often where the site's link
loses more (`find_again`)."""
LOST_BY_CHANCE = 1e-5
"""How often a try that is open may stay unanswered by the link's own loss: a run makes some hundreds. Our choice."""
SWEEP_TIMEOUT_S = 25.0
"""A timeout: it protects us. The tries take 2 s, and wait their turn on a busy machine."""


@dataclass(frozen=True, slots=True)
class Spot:
    """One place that can be tried: whose it is, which node stands there, its address."""

    place: str
    node: str
    address: str


def list_all_clients(plan: Plan) -> tuple[tuple[str, Segment], ...]:
    """Return each client with its segment: one a port that has a client."""
    pairs = ((port, segment) for segment in plan.branch.segments for port in segment.ports)
    return tuple((f"client{port}", segment) for port, segment in sorted(pairs, key=lambda p: p[0]) if port <= CLIENTS)


def list_targets(plan: Plan) -> tuple[str, ...]:
    """Return every node that can be tried."""
    return (*(client for client, _ in list_all_clients(plan)), HQ, INTERNET_NODE)


def find_lease(evidence: Evidence, client: str) -> str | None:
    """Return the address of a client's lease, or None."""
    answer = evidence.find_answer(label_lease(client))
    return str(answer.get("address")) if answer is not None and answer.ok and answer.get("address") else None


def list_spots(plan: Plan, evidence: Evidence) -> tuple[Spot, ...]:
    """Return every place with an address by now."""
    clients = [(client, segment, find_lease(evidence, client)) for client, segment in list_all_clients(plan)]
    return (
        *(Spot(segment.name, client, address) for client, segment, address in clients if address),
        Spot("hq", HQ, plan.branch.acceptance.ping_target),
        Spot("internet", INTERNET_NODE, INTERNET),
    )


def ask_wan(plan: Plan) -> Ask:
    """Return the ask, to who stands outside of the branch's first uplink, for the address that it gave the router."""
    node, path = ("carrier", ROUTES) if is_cellular(plan) else (INTERNET_NODE, LEASES)
    return Ask(node, "fetch", {"path": path}, LABEL_WAN)


def find_wan(plan: Plan, evidence: Evidence) -> Spot | None:
    """Return who stands outside of the branch's first uplink, and the router's address there, as that side tells it."""
    node, answer = ask_wan(plan).node, evidence.find_answer(LABEL_WAN)
    lines = [line.split() for line in read_file(answer).splitlines()]
    if is_cellular(plan):
        hosts = [words[1] for words in lines if len(words) > 7 and words[0] == BEARERS and words[7] == "FFFFFFFF"]
        address = str(ipaddress.IPv4Address(bytes.fromhex(hosts[-1])[::-1])) if hosts else None
    else:
        address = next((words[2] for words in reversed(lines) if len(words) > 2 and is_address(words[2])), None)
    return Spot("wan", node, address) if address else None


def read_file(answer: Answer | None) -> str:
    """Return the text that a node handed out (`fetch`), an empty one where it did not."""
    data = answer.get("base64") if answer is not None and answer.ok else None
    return base64.b64decode(data).decode("utf-8", "replace") if isinstance(data, str) else ""


def hand_out(text: str) -> dict[str, str]:
    """Return what `fetch` answers for a file of that text."""
    return {"base64": base64.b64encode(text.encode()).decode()}


def list_router_addresses(plan: Plan) -> tuple[tuple[str, Segment], ...]:
    """Return the router's own address in each segment."""
    return tuple((find_router_address(segment), segment) for segment in plan.branch.segments)


def is_in_tunnel(plan: Plan, segment: Segment) -> bool:
    """Say whether HQ has a way to a segment's addresses."""
    return is_inside(find_segment_network(segment).partition("/")[0], plan.branch.tunnel.local_subnets)


# ---------------------------------------------------------------- what the matrix says


def is_open(segment: Segment, place: str, service: str) -> bool:
    """Say whether the matrix opens a service at a place to a segment's clients."""
    return any(row.to == place and (ANY in row.open or service in row.open) for row in segment.reach)


def is_wide_open(segment: Segment, place: str) -> bool:
    """Say whether the matrix opens everything there."""
    return is_open(segment, place, ANY)


def find_screen(plan: Plan, segment: Segment) -> frozenset[str] | None:
    """Return the services that the application firewall lets through by their port alone; None where it does not
    stand before the segment. What it does to all others is for the check `applications` to say."""
    applications = plan.branch.applications
    if applications is None or segment.name not in applications.segments:
        return None
    return frozenset(service for app in applications.allowed if app.by == "port" for service in app.open)


def is_filtered(plan: Plan, segment: Segment, service: str) -> bool:
    """Say whether a service is name service on the internet that the web filter takes for itself (ports of RFC 1035 and
    RFC 7858): where it leads to is for the check `web_filter` to say."""
    web_filter = plan.branch.web_filter
    return web_filter is not None and segment.name in web_filter.segments and service.partition("/")[2] in ("53", "853")


# ---------------------------------------------------------------- the steps


def ask_leases(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    """Return the leases that are not answered yet."""
    missing = (c for c, _ in list_all_clients(plan) if evidence.find_answer(label_lease(c)) is None)
    return tuple(ask_lease(client) for client in missing)


def label_forget(check: str, node: str) -> str:
    return f"{check}.forget.{node}"


def label_arrived(check: str, node: str) -> str:
    return f"{check}.arrived.{node}"


def ask_in_steps(
    plan: Plan, evidence: Evidence, check: str, tries: Callable[[Plan, Evidence], Sequence[Ask]]
) -> tuple[Ask, ...]:
    """Return what is due: leases; the witnesses' forgetting; the tries; what arrived. Each once all before is there."""
    leases = ask_leases(plan, evidence)
    if leases:
        return leases
    nodes = list_targets(plan)
    due = [Ask(n, "arrivals", {"prefix": f"{check}.", "forget": True}, label_forget(check, n)) for n in nodes]
    if is_awaited(evidence, due):
        return tuple(due)
    tried = list(tries(plan, evidence))
    due += tried
    if is_awaited(evidence, tried):
        return tuple(due)
    return (*due, *(Ask(n, "arrivals", {"prefix": f"{check}."}, label_arrived(check, n)) for n in nodes))


# ---------------------------------------------------------------- reading answers


def is_arrived(answer: Answer | None, token: str) -> bool:
    """Say whether a witness saw a question of that token."""
    return any(item.get("token") == token for item in read_arrivals(answer))


def read_arrivals(answer: Answer | None) -> tuple[Mapping[str, Any], ...]:
    """Return what a witness tells of; nothing where it told nothing."""
    items = as_list(answer.get("arrived")) if answer is not None and answer.ok else []
    return tuple(item for item in items if isinstance(item, Mapping))


def is_alive(answer: Answer | None) -> bool:
    """Say whether a node's answerer and its witnesses work."""
    return answer is not None and answer.ok and answer.get("alive") is True


def read_outcomes(answer: Answer | None, count: int) -> tuple[str, ...] | None:
    """Return a sweep's outcomes, or None where they are not those of `count` tries."""
    outcomes = as_list(answer.get("outcomes")) if answer is not None and answer.ok else []
    return tuple(map(str, outcomes)) if len(outcomes) == count else None


def build_try(target: str, service: str, token: str | None = None) -> dict[str, Any]:
    """Return one try of a sweep."""
    return {"target": target, "service": service} | ({"token": token} if token else {})


def find_again(plan: Plan) -> int:
    """Return how often an unanswered try is made once more, by the loss that the carrier has on record for the site."""
    loss = plan.records.carrier.loss_pct / 100 if is_cellular(plan) else 0.0
    both_ways = 1 - (1 - loss) ** 2
    if both_ways in (0.0, 1.0):
        return AGAIN if not both_ways else MOST_AGAIN
    return min(MOST_AGAIN, max(AGAIN, math.ceil(math.log(LOST_BY_CHANCE) / math.log(both_ways)) - 1))


def ask_sweep(node: str, tries: Sequence[Mapping[str, Any]], label: str, again: int = AGAIN) -> Ask:
    """Return the ask for a batch of tries."""
    return Ask(node, "sweep", {"tries": [dict(t) for t in tries], "timeout_s": TRY_S, "again": again}, label)


# ---------------------------------------------------------------- weakening


def spoil_segment(plan: Plan, name: str, title: str, key: str, change: Callable[[dict[str, Any]], None]) -> Spoil:
    """Return a change of one segment of the served configuration. `key` is below ``segments[i]``."""
    place = next(i for i, segment in enumerate(plan.branch.segments) if segment.name == name)

    def spoil(config: dict[str, Any]) -> None:
        change(next(s for s in config["segments"] if s["name"] == name))

    return Spoil(title, f"segments[{place}].{key}", spoil)


def spoil_reach(plan: Plan, segment: Segment, place: str, service: str) -> Spoil:
    """Return the opening of one service in one cell of the matrix."""

    def open_it(served: dict[str, Any]) -> None:
        for row in served["reach"]:
            if row["to"] == place:
                row["open"] = [*row["open"], service]
                return
        served["reach"] = [*served["reach"], {"to": place, "open": [service]}]

    return spoil_segment(plan, segment.name, f"{segment.name} may open {service} at {place}", "reach", open_it)


def list_places(plan: Plan, segment: Segment) -> tuple[str, ...]:
    """Return the places that a row of the matrix can name for a segment."""
    return (*(s.name for s in plan.branch.segments if s is not segment), "hq", "internet")
