"""nothing_in_clear: over the whole run, all checks included, no packet of branch or HQ left an uplink unprotected.

It comes last, so that a try that a segment must not succeed with is counted where it would have leaked to. Witness: who
is at the other end of each uplink. Not here: what may be tried (matrix).
"""

from __future__ import annotations

import ipaddress
from typing import Any

from harness.checks._shared import ask_after_lease, list_clients
from harness.core.entries import Check, Evidence, Example, Spoil, hold, leave_open
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.stages._hq_measures import judge_clear
from harness.stages._shared import UNFAKED, find_segment_network, is_inside, label_lease
from harness.stages.hq_reached import find_inside, find_outer_link

NAME = "nothing_in_clear"
DISCARD = 9  # RFC 863
BAIT_S = 0.5


def why_not(plan: Plan) -> str | None:
    return None


def _label(uplink: str) -> str:
    return f"{NAME}.{uplink}"


def _bait(client: str, place: int) -> str:
    return f"{NAME}.bait.{client}.{place}"


def _find_baits(plan: Plan) -> list[str]:
    """Return an address of each of HQ's networks that nobody has: its last host."""
    return [str(ipaddress.IPv4Network(text)[-2]) for text in plan.branch.tunnel.remote_subnets]


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    """Have every client knock at the far ends of HQ's networks, which a tunnel too narrow would leave to the internet;
    then have the uplinks counted."""
    baits: list[Ask] = []
    for client, _ in list_clients(plan):
        knocks = [
            Ask(client, "open_tcp", {"target": target, "port": DISCARD, "timeout_s": BAIT_S}, _bait(client, place))
            for place, target in enumerate(_find_baits(plan))
        ]
        baits += ask_after_lease(evidence, client, knocks)
    if any(evidence.find_answer(ask.label) is None for ask in baits):
        return tuple(baits)
    since_ns = next((s.observation.wall_ns for s in evidence if s.observation.source in UNFAKED), 0)
    due = []
    for uplink in plan.branch.uplinks:
        node, link = find_outer_link(uplink)
        args = {"link": link, "inside": find_inside(plan), "since_ns": since_ns}
        due.append(Ask(node, "census", args, _label(uplink)))
    return (*baits, *due)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    first, *others = plan.branch.uplinks
    inside = find_inside(plan)
    foreign = [
        seen
        for seen in evidence.find_all("carrier", "source.refused")
        if is_inside(seen.data.get("source"), inside) or is_inside(seen.data.get("destination"), inside)
    ]
    pairs = ", ".join(f"{s.data.get('source')} > {s.data.get('destination')}" for s in foreign[:5])
    return (
        hold(
            NAME,
            not foreign,
            "the carrier threw away no packet of the branch's or HQ's networks",
            "none",
            pairs or "none",
            foreign,
        ),
        _judge_baits(plan, evidence),
        judge_clear(evidence, NAME, _label(first)),
        *(judge_clear(evidence, NAME, _label(uplink), least_esp=0) for uplink in others),
    )


def _judge_baits(plan: Plan, evidence: Evidence) -> Finding:
    """Where nobody knocked, nothing could leak."""
    claim, expected = "a client of each segment knocks at the far ends of HQ's networks", "knocks, answered or not"
    labels = [_bait(client, place) for client, _ in list_clients(plan) for place in range(len(_find_baits(plan)))]
    answers = {label: evidence.find_answer(label) for label in labels}
    missed = [label for label, answer in answers.items() if answer is None or not (answer.ok or answer.is_silence)]
    if missed:
        return leave_open(NAME, claim, expected, f"nothing of {', '.join(missed[:4])}", answers.values())
    return hold(NAME, True, claim, expected, f"{len(labels)} knocks", answers.values())


def _narrow(config: dict[str, Any]) -> None:
    """Keep the half of each HQ network that the ping's target is in."""
    networks = [ipaddress.IPv4Network(text) for text in config["tunnel"]["remote_subnets"]]
    config["tunnel"]["remote_subnets"] = [str(next(network.subnets())) for network in networks]


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    leaks = any(segment.may_reach("hq") and segment.may_reach("internet") for segment in plan.branch.segments)
    return (Spoil("the tunnel carries half of HQ's network only", "tunnel.remote_subnets", _narrow),) if leaks else ()


CHECK = Check(
    name=NAME,
    order=990,
    title="Nothing leaves in clear",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=45.0,
    disturbs=True,  # it counts what all others did
    clauses=(
        "PCI DSS 4.0.1 4.2.1",
        "PCI DSS 4.0.1 1.4.5",
        "45 CFR 164.312(e)(1)",
        "45 CFR 164.312(e)(2)(ii)",
        "NIST SP 800-53 SC-8",
    ),
    spoils=spoils,
)


_BAITS = (
    *(answered(c, label_lease(c), 1.0, {"address": "10.0.0.1"}) for c in ("client1", "client2")),
    *(answered(c, _bait(c, 0), 1.5, {"outcome": "silent"}) for c in ("client1", "client2")),
)


def _census(clear: int, esp: int = 800) -> tuple[Observation, ...]:
    result = {"packets": 900, "clear": clear, "clear_examples": [], "esp_udp": esp, "esp": 0, "dropped": 0}
    return (*_BAITS, answered("carrier", _label("cellular"), 2.0, result))


_SOURCE = find_segment_network(build_plan().branch.segments[0]).split("/")[0]
_THROWN = saw("carrier", "source.refused", 1.0, source=_SOURCE, destination="198.18.0.1", protocol=17)

EXAMPLES = (
    Example("all of it in ESP", "PASS", _census(0)),
    Example("a guest's try went out in clear", "FAIL", _census(1)),
    Example("a client's packet went out as it was", "FAIL", (_THROWN, *_census(0))),
    Example("no ESP was seen there at all", "FAIL", _census(0, esp=0)),
    Example("the census is not answered", "INCONCLUSIVE", ()),
    Example(
        "nobody could knock: nothing could leak",
        "INCONCLUSIVE",
        tuple(
            answered(s.source, s.data["label"], 1.5, None, "OSError: x") if "bait" in str(s.data.get("label")) else s
            for s in _census(0)
        ),
    ),
)
