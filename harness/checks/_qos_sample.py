"""Examples of the check `qos`: figures as the nodes would give them for the sample plan. Layer: checks, pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from emulators.common.controls import Reach
from harness.checks._qos_load import (
    DIRECT,
    INSIDE,
    INTERNET,
    MARKED,
    SHARE,
    ceiling_flow,
    control_flow,
    find_esp_suite,
    find_flooder,
    find_talker,
    list_ceilings,
    list_flood,
    list_streams,
    list_urgent,
    load_flow,
)
from harness.checks._shared import HQ
from harness.core.entries import Evidence, Example, Seen
from harness.core.model import Observation, Plan
from harness.core.sample import QOS, answered, build_plan, saw
from harness.stages._shared import label_lease

CHILD = saw(
    "hq-gateway",
    "child.installed",
    0.5,
    esp="aes256gcm16",
    local_ts=["10.200.0.0/24"],
    remote_ts=["10.20.10.0/24"],
    encap=True,
    means="userspace",
)
BEGAN_NS = 1_000_000_000
BIN_NS = 100_000_000
VOICE, TICKETS = 0, 1

Changes = Mapping[int, Mapping[str, Any]]


def _streams(plan: Plan) -> dict[str, list[dict[str, Any]]]:
    talker, flooder = find_talker(plan), find_flooder(plan)
    suite = find_esp_suite(plan, Evidence([Seen(0, CHILD)]))
    assert plan.branch.qos and talker and suite
    streams = {talker.client: list_streams(plan, plan.branch.qos, suite, talker)}
    return streams if flooder is None else {**streams, flooder.client: list_flood(plan.branch.qos, flooder)}


def _arrive(stream: Mapping[str, Any], share: float, change: Mapping[str, Any]) -> dict[str, Any]:
    """Return a receiver's figures of a stream of which that share arrives, evenly."""
    bins = round(stream["seconds"] * 10)
    sent = _count(stream)
    received = round(sent * change.get("share", share))
    first = BEGAN_NS // BIN_NS + round(stream["start_s"] * 10)
    dscp = str(change.get("dscp", 0 if stream["flow"] == MARKED else stream["dscp"]))
    return {
        "flow": stream["flow"],
        "received": received,
        "delay_ms": {"p95": change.get("p95", 42.0)},
        "dscp": {dscp: received} if received else {},
        "bins": [[first + n, received * (n + 1) // bins - received * n // bins] for n in range(bins)],
    }


def _count(stream: Mapping[str, Any]) -> int:
    count: int = round(stream["bps"] * stream["seconds"] / 8 / stream["bytes"])
    return count


def _share(plan: Plan, flow: int) -> float:
    """Return what arrives of a stream where all is as it should be."""
    qos = plan.branch.qos
    assert qos is not None
    if flow in (INSIDE, DIRECT, MARKED):
        rest = qos.uplink_bps - SHARE * sum(one.guaranteed_bps for _, one in list_urgent(qos))
        return rest / (2.0 * qos.uplink_bps)
    return 1 / 1.3 if flow in [ceiling_flow(i) for i, _ in list_ceilings(qos)] else 1.0


def figures(
    plan: Plan, changes: Changes | None = None, sent: float = 1.0, outer: Any = None
) -> tuple[Observation, ...]:
    """Return everything that is answered. `changes`: of a stream, by its number; `sent`: how much of all was sent;
    `outer`: the gateway's counts."""
    streams, wanted = _streams(plan), changes or {}
    seen = [CHILD, *(answered(c, label_lease(c), 1.0, {"address": "10.0.0.1"}) for c in streams)]
    seen += [answered(n, f"qos.listen.{n}", 1.2, {"port": 5004}) for n in (HQ, INTERNET)[: len(streams)]]
    seen.append(answered("hq-gateway", "qos.watch", 1.2, {"link": "inet"}))
    counts: dict[str, int] = {}
    for client, listed in streams.items():
        said = [
            {"flow": s["flow"], "sent": round(_count(s) * wanted.get(s["flow"], {}).get("sent", sent)), **_times(s)}
            for s in listed
        ]
        seen.append(answered(client, f"qos.stream.{client}", 9.0, {"flows": said, "late": 0}))
        arrived = [
            _arrive(s, _share(plan, s["flow"]) * wanted.get(s["flow"], {}).get("sent", sent), wanted.get(s["flow"], {}))
            for s in listed
        ]
        node = HQ if any(s["flow"] == INSIDE for s in listed) else INTERNET
        seen.append(answered(node, f"qos.collect.{node}", 9.2, {"flows": arrived}))
        for stream, one in zip(listed, arrived, strict=True):
            mark = str(stream["dscp"])
            counts[mark] = counts.get(mark, 0) + (one["received"] if node == HQ else 0)
    said_outer = {"esp": counts, "dropped": 0} if outer is None else outer
    return (*seen, answered("hq-gateway", "qos.count", 9.2, said_outer))


def _times(stream: Mapping[str, Any]) -> dict[str, int]:
    began_ns = BEGAN_NS + round(stream["start_s"] * 1e9)
    return {"began_ns": began_ns, "ended_ns": began_ns + round(stream["seconds"] * 1e9)}


def list_examples() -> tuple[Example, ...]:
    """Return the examples: what holds, and each way in which it could not."""
    plan = build_plan()
    voice, tickets = load_flow(VOICE), load_flow(TICKETS)
    best = (INSIDE, DIRECT, MARKED)
    hq_only = tuple(
        replace(s, reach=(Reach("hq"),)) if s.name == "staff" else replace(s, reach=()) for s in plan.branch.segments
    )
    inside = build_plan(qos=QOS, segments=hq_only)
    no_udp = tuple(replace(s, reach=(Reach("hq", ("tcp/443",)),)) for s in plan.branch.segments)
    slow = replace(plan, records=replace(plan.records, carrier=replace(plan.records.carrier, up_bps=1_500_000)))
    good = figures(plan)
    tunnel = replace(plan.branch.tunnel, esp_proposals=("aes256gcm16", "aes256-sha256"))
    two_suites = replace(plan, branch=replace(plan.branch, tunnel=tunnel))
    return (
        Example("classes kept, ceilings too, marks inside and outside", "PASS", good, plan),
        Example("one packet in a thousand lost", "PASS", figures(plan, {voice: {"share": 0.9985}}), plan),
        Example(
            "a busy bench delays everything",
            "PASS",
            figures(plan, {control_flow(VOICE): {"p95": 110.0}, voice: {"p95": 150.0}}),
            plan,
        ),
        Example("voice gets half", "FAIL", figures(plan, {voice: {"share": 0.5}}), plan),
        Example("tickets lose one in a hundred", "FAIL", figures(plan, {tickets: {"share": 0.99}}), plan),
        Example("voice waits", "FAIL", figures(plan, {voice: {"p95": 140.0}}), plan),
        Example("voice does not arrive at all", "FAIL", figures(plan, {voice: {"share": 0.0}}), plan),
        Example("lost even alone", "FAIL", figures(plan, {control_flow(VOICE): {"share": 0.9}}), plan),
        Example("above the ceiling", "FAIL", figures(plan, {ceiling_flow(VOICE): {"share": 1.0}}), plan),
        Example("far below the ceiling", "FAIL", figures(plan, {ceiling_flow(TICKETS): {"share": 0.5}}), plan),
        Example("no limit on the uplink", "FAIL", figures(plan, {flow: {"share": 1.0} for flow in best}), plan),
        Example("best effort starved", "FAIL", figures(plan, {flow: {"share": 0.02} for flow in best}), plan),
        Example("marks lost on the way", "FAIL", figures(plan, {voice: {"dscp": 0}}), plan),
        Example("a guest's marks believed", "FAIL", figures(plan, {MARKED: {"dscp": 46}}), plan),
        Example("outside all is df", "FAIL", figures(plan, outer={"esp": {"0": 5000}, "dropped": 0}), plan),
        Example(
            "outside all is urgent", "FAIL", figures(plan, outer={"esp": {"46": 5000, "18": 5000}, "dropped": 0}), plan
        ),
        Example("a carrier slower than the device", "FAIL", good, slow),
        Example("the bench held voice up", "INCONCLUSIVE", figures(plan, {voice: {"sent": 0.8}}), plan),
        Example("too little load", "INCONCLUSIVE", figures(plan, sent=0.5), plan),
        Example("the witness missed packets", "INCONCLUSIVE", figures(plan, outer={"esp": {}, "dropped": 7}), plan),
        Example(
            "nothing of the guest's arrived",
            "INCONCLUSIVE",
            figures(plan, {MARKED: {"share": 0.0}, DIRECT: {"share": 0.5}}),
            plan,
        ),
        Example(
            "the sender broke",
            "INCONCLUSIVE",
            (*good[:6], answered("client1", "qos.stream.client1", 3.0, None, "OSError: x")),
            plan,
        ),
        Example("the tunnel was up before", "PASS", good[1:], plan),
        Example("the tunnel was up before, by one of two suites", "INCONCLUSIVE", good[1:], two_suites),
        Example("no classes", "NOT_APPLICABLE", (), build_plan(qos=None)),
        Example("nobody may send UDP to HQ", "NOT_APPLICABLE", (), build_plan(qos=QOS, segments=no_udp)),
        Example("too fast for the bench", "NOT_APPLICABLE", (), build_plan(qos=replace(QOS, uplink_bps=50_000_000))),
        Example("guests go nowhere: the load comes from inside", "PASS", figures(inside), inside),
    )
