"""qos: the uplink's classes keep their guarantees and ceilings while it is full, and markings are as the profile says.

What is sent, and when: _qos_load.py; what the figures say: _qos_judge.py. They are taken where packets arrive: at HQ,
on the internet, and (the outer headers' code points) at HQ's gateway. Best effort is offered twice the uplink's rate,
and what arrives in all is uplink_bps: so the queue was the device's own, and full. Delays are one way, on the one clock
of the bench's kernel.
"""

from __future__ import annotations

from typing import Any

from emulators.common.controls import Qos
from harness.checks._disturb import GATEWAY
from harness.checks._qos_judge import NAME, Reading, judge_reading, read_flows
from harness.checks._qos_load import (
    LINGER_S,
    LISTEN_S,
    MOST_BPS,
    Talker,
    find_esp_suite,
    find_flooder,
    find_talker,
    list_ends,
    list_flood,
    list_streams,
    list_urgent,
)
from harness.checks._qos_sample import list_examples
from harness.checks._qos_spoils import list_spoils
from harness.checks._shared import ask_after_lease
from harness.core.entries import Answer, Check, Evidence, find_broken, leave_open
from harness.core.model import Ask, Finding, Plan
from harness.core.sizes import Suite
from harness.stages._shared import LEASE_TIMEOUT_S, label_lease

OUTER_LINK = "inet"
WATCH, COUNT = f"{NAME}.watch", f"{NAME}.count"
RUN_S = 15.0


def why_not(plan: Plan) -> str | None:
    qos, talker = plan.branch.qos, find_talker(plan)
    if qos is None:
        return "the profile sets no classes"
    if talker is None:
        return "no trusted segment has a client that may send UDP to HQ"
    if not list_urgent(qos):
        return "the profile sets one class only"
    if qos.uplink_bps > MOST_BPS:
        return f"the bench's senders fill uplinks of up to {MOST_BPS} bit/s, and this has {qos.uplink_bps}"
    return None


def _label(word: str, node: str) -> str:
    return f"{NAME}.{word}.{node}"


def _list_talkers(plan: Plan) -> tuple[Talker, ...]:
    found: dict[str, Talker] = {}
    for talker in (find_talker(plan), find_flooder(plan)):
        if talker is not None:
            found.setdefault(talker.client, talker)
    return tuple(found.values())


def _list_sends(plan: Plan, qos: Qos, suite: Suite) -> dict[str, list[dict[str, Any]]]:
    """Return each sending client with all that it sends."""
    talker, flooder = find_talker(plan), find_flooder(plan)
    sends: dict[str, list[dict[str, Any]]] = {}
    if talker is not None:
        sends[talker.client] = list_streams(plan, qos, suite, talker)
    if flooder is not None:
        sends.setdefault(flooder.client, []).extend(list_flood(qos, flooder))
    return sends


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    qos, suite = plan.branch.qos, find_esp_suite(plan, evidence)
    begin = [
        *(Ask(n, "udp_listen", {"port": p, "seconds": LISTEN_S}, _label("listen", n)) for n, p in list_ends(plan)),
        Ask(GATEWAY, "watch_markings", {"link": OUTER_LINK, "seconds": LISTEN_S}, WATCH),
    ]
    clients = [talker.client for talker in _list_talkers(plan)]
    leases = tuple(ask for client in clients for ask in ask_after_lease(evidence, client, ()))
    if leases or not all(_is_ok(evidence, label_lease(client)) for client in clients):
        return leases
    if qos is None or suite is None or not all(_is_ok(evidence, ask.label) for ask in begin):
        return tuple(begin)
    sends = [
        Ask(c, "udp_stream", {"streams": s, "linger_s": LINGER_S}, _label("stream", c))
        for c, s in _list_sends(plan, qos, suite).items()
    ]
    if not all(_is_ok(evidence, ask.label) for ask in sends):
        return (*begin, *sends)
    end = [
        *(Ask(n, "udp_collect", {"port": p}, _label("collect", n)) for n, p in list_ends(plan)),
        Ask(GATEWAY, "count_markings", {"link": OUTER_LINK}, COUNT),
    ]
    return (*begin, *sends, *end)


def _is_ok(evidence: Evidence, label: str) -> bool:
    answer = evidence.find_answer(label)
    return answer is not None and answer.ok


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    qos, suite, claim = plan.branch.qos, find_esp_suite(plan, evidence), "the uplink's classes are kept"
    if qos is None or suite is None:
        return (leave_open(NAME, claim, "an ESP suite whose sizes are known", "none was reported"),)
    clients = [talker.client for talker in _list_talkers(plan)]
    for client in clients:
        if not _is_ok(evidence, label_lease(client)):
            lease = evidence.find_answer(label_lease(client))
            return (leave_open(NAME, claim, "clients to try with", f"{client} has no lease", [lease]),)
    nodes = [node for node, _ in list_ends(plan)]
    sends, collects = [_label("stream", c) for c in clients], [_label("collect", n) for n in nodes]
    for label in (*(_label("listen", n) for n in nodes), WATCH, *sends, *collects, COUNT):
        if (broken := find_broken(evidence, NAME, claim, "figures of all streams", label)) is not None:
            return (broken,)
    sent, received, outer = (_find(evidence, labels) for labels in (sends, collects, [COUNT]))
    sizes = {s["flow"]: s["bytes"] for streams in _list_sends(plan, qos, suite).values() for s in streams}
    flows = read_flows(sent, received, suite, sizes)
    return judge_reading(Reading(plan, qos, flows, outer[0], (*sent, *received, *outer)))


def _find(evidence: Evidence, labels: list[str]) -> list[Answer]:
    return [answer for label in labels if (answer := evidence.find_answer(label)) is not None]


CHECK = Check(
    name=NAME,
    order=150,
    title="The uplink's classes keep what they are guaranteed",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + RUN_S + 15.0,
    disturbs=True,
    clauses=("NIST SP 800-53 SC-5",),  # from memory: denial-of-service protection, by limiting what one can take
    spoils=lambda plan: list_spoils(plan) if why_not(plan) is None else (),
)

EXAMPLES = list_examples()
