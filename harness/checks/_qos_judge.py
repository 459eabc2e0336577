"""What the figures of the check `qos` say. Layer: checks, pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from emulators.common.controls import DSCP_VALUES, Qos, QosClass
from harness.checks._qos_load import (
    CEILING_S,
    DIRECT,
    INSIDE,
    LOAD_S,
    MARKED,
    ceiling_flow,
    control_flow,
    find_default,
    find_flooder,
    find_wire_bytes,
    list_ceilings,
    list_urgent,
    load_flow,
    mark_flow,
)
from harness.core.entries import Answer, as_count, as_list, as_number, hold, leave_open
from harness.core.model import Finding, Plan
from harness.core.sizes import Suite
from harness.stages._shared import is_cellular

NAME = "qos"
LEAST_SHARE = 0.95
"""Of the guaranteed rate that must arrive: 97 % is offered."""
OFFERED_SHARE, HELD_UP_SHARE = 0.98, 0.85
"""Of what was offered, and of the guaranteed rate: below the first the device keeps something back, below the second
the bench did not offer enough to tell (its senders are stalled for 130 ms now and then: measured)."""
LOSS_RATIO = 1e-3  # ITU-T Y.1541 class 0, IPLR (as RFC 5976 section 2 has it)
DELAY_MS = 50.0
"""What queueing may add: ITU-T Y.1541 class 0, IPDV (RFC 5976 section 2). With a link of up to 100 ms that keeps within
the 150 ms of ITU-T G.114 (RFC 6817 section 3.3). Added to the link's own delay, or to that of the same stream on the
idle uplink just before, which holds what a busy bench adds too (100 ms at a load of 20 on two processors: measured)."""
SIGMAS = 4.0
"""Of the link's own loss, in standard deviations: one run in tens of thousands goes beyond it by chance."""
WHOLE = (0.85, 1.03)
CEILING = (0.88, 1.05)
"""Of uplink and ceiling. Above: what bursts and the edges of the time bins make of it (measured: under 3 %); below:
what pacing and packets of one size leave unused."""
REST_SHARE = 0.9
"""Of the guaranteed rate of best effort: tail drop leaves gaps."""
OFFERED_LEAST = 1.5
BIN_NS = 100_000_000  # emulators.common.streams
FILL_BINS = 6
"""Time bins left out at the start: until the queue is full and its delay over."""


@dataclass(frozen=True, slots=True)
class Flow:
    """One stream, sent and received. `wire_bytes`: a packet's size on the uplink."""

    sent: int
    began_ns: int
    ended_ns: int
    wire_bytes: int
    received: int = 0
    delay_ms: float | None = None
    dscp: Mapping[str, int] | None = None
    bins: tuple[tuple[int, int], ...] = ()

    @property
    def lost(self) -> int:
        return max(0, self.sent - self.received)


def read_flows(sent: list[Answer], received: list[Answer], suite: Suite, sizes: Mapping[int, int]) -> dict[int, Flow]:
    """Put together what senders and receivers say. `sizes`: each stream's packets as clients send them."""
    got = {as_count(f.get("flow")): f for a in received for f in as_list(a.get("flows")) if isinstance(f, Mapping)}
    flows: dict[int, Flow] = {}
    for one in (f for a in sent for f in as_list(a.get("flows")) if isinstance(f, Mapping)):
        number = as_count(one.get("flow"))
        size, there = sizes.get(number, 0), got.get(number, {})
        wire = size if number in (DIRECT, MARKED) else find_wire_bytes(size, suite)
        delay, dscp = there.get("delay_ms"), there.get("dscp")
        flows[number] = Flow(
            as_count(one.get("sent")), as_count(one.get("began_ns")), as_count(one.get("ended_ns")), wire,
            as_count(there.get("received")),
            as_number(delay.get("p95")) if isinstance(delay, Mapping) else None,
            dscp if isinstance(dscp, Mapping) else None,
            tuple((as_count(b[0]), as_count(b[1])) for b in as_list(there.get("bins")) if len(as_list(b)) == 2),
        )  # fmt: skip
    return flows


@dataclass(frozen=True, slots=True)
class Reading:
    """All there is to judge by."""

    plan: Plan
    qos: Qos
    flows: Mapping[int, Flow]
    outer: Answer
    evidence: tuple[Answer, ...]

    def find(self, number: int) -> Flow:
        return self.flows.get(number, Flow(0, 0, 0, 0))

    def hold(self, holds: bool, claim: str, expected: str, seen: str) -> Finding:
        return hold(NAME, holds, claim, expected, seen, self.evidence)


def judge_reading(reading: Reading) -> tuple[Finding, ...]:
    """Return every finding; without enough load only that there was none."""
    offered = find_offered_bps(reading)
    if offered < OFFERED_LEAST * reading.qos.uplink_bps:
        claim, expected = "the uplink is full while the classes are tried", f"{OFFERED_LEAST:g} times its rate offered"
        return (leave_open(NAME, claim, expected, f"the bench offered {offered:.0f} bit/s", reading.evidence),)
    return (
        *(f for place, one in list_urgent(reading.qos) for f in _judge_class(reading, place, one)),
        *(_judge_ceiling(reading, place, one) for place, one in list_ceilings(reading.qos)),
        *_judge_rest(reading),
        *_judge_inner(reading),
        *_judge_outer(reading),
        *_judge_untrusted(reading),
    )


def find_offered_bps(reading: Reading) -> float:
    """Return the rate of best effort that was offered."""
    flows = (reading.find(number) for number in (INSIDE, DIRECT, MARKED))
    return sum(flow.sent * flow.wire_bytes * 8 / LOAD_S for flow in flows)


# ---------------------------------------------------------------- guarantees


def _judge_class(reading: Reading, place: int, one: QosClass) -> Iterator[Finding]:
    control, load = reading.find(control_flow(place)), reading.find(load_flow(place))
    most = count_allowed(reading.plan, control.sent)
    yield reading.hold(
        0 < control.sent <= control.received + most,
        f"class {one.name} loses nothing on an idle uplink",
        f"at most {most} of {control.sent} packets lost",
        f"{control.lost} lost",
    )
    yield _judge_rate(reading, one, load)
    most = count_allowed(reading.plan, load.sent)
    yield reading.hold(
        0 < load.sent <= load.received + most,
        f"class {one.name} loses no packets within its guaranteed rate",
        f"at most {most} of {load.sent} packets lost (ITU-T Y.1541 class 0, and the link's own loss)",
        f"{load.lost} lost",
    )
    if "ef" in one.dscp:
        yield _judge_delay(reading, one, control, load)


def _judge_rate(reading: Reading, one: QosClass, load: Flow) -> Finding:
    """A sender that the bench held up offers less, which is not the device's doing."""
    offered, rate = (count * load.wire_bytes * 8 / LOAD_S for count in (load.sent, load.received))
    least = min(LEAST_SHARE * one.guaranteed_bps, OFFERED_SHARE * offered) * (1 - 2 * find_link(reading.plan)[1])
    claim = f"class {one.name} keeps its guaranteed rate while best effort fills the uplink"
    expected = f"{least:.0f} bit/s or more of {one.guaranteed_bps}, {offered:.0f} offered"
    if offered < HELD_UP_SHARE * one.guaranteed_bps:
        return leave_open(NAME, claim, expected, f"the bench offered {offered:.0f} bit/s only", reading.evidence)
    return reading.hold(rate >= least, claim, expected, f"{rate:.0f} bit/s")


def _judge_delay(reading: Reading, one: QosClass, control: Flow, load: Flow) -> Finding:
    most = max(find_link(reading.plan)[0], control.delay_ms or 0.0) + DELAY_MS
    seen = "nothing arrived" if load.delay_ms is None else f"19 in 20 within {load.delay_ms:g} ms"
    claim = f"class {one.name} does not wait behind best effort"
    expected = f"19 in 20 packets within {most:g} ms one way ({DELAY_MS:g} more than on the idle uplink)"
    return reading.hold(load.delay_ms is not None and load.delay_ms <= most, claim, expected, seen)


def find_link(plan: Plan) -> tuple[float, float]:
    """Return the first uplink's own longest delay in milliseconds, and its loss as a ratio."""
    carrier = plan.records.carrier
    return (carrier.delay_ms + carrier.jitter_ms, carrier.loss_pct / 100) if is_cellular(plan) else (0.0, 0.0)


def count_allowed(plan: Plan, sent: int) -> int:
    """Return how many of so many packets may be lost."""
    mean = sent * find_link(plan)[1]
    return math.ceil(sent * LOSS_RATIO + mean + SIGMAS * math.sqrt(mean))


# ---------------------------------------------------------------- bounds


def _judge_ceiling(reading: Reading, place: int, one: QosClass) -> Finding:
    flow = reading.find(ceiling_flow(place))
    rate = find_rate_bps([flow], CEILING_S)
    low, high = (round(share * one.ceiling_bps) for share in CEILING)
    low = round(low * (1 - 2 * find_link(reading.plan)[1]))
    claim = f"class {one.name} gets up to its ceiling on an idle uplink, and no more"
    return reading.hold(low <= rate <= high, claim, f"{low} to {high} bit/s", f"{rate:.0f} bit/s")


def _judge_rest(reading: Reading) -> Iterator[Finding]:
    qos = reading.qos
    best = [reading.find(number) for number in (INSIDE, DIRECT, MARKED)]
    rest = find_default(qos)
    rate = find_rate_bps(best, LOAD_S)
    least = REST_SHARE * rest.guaranteed_bps * (1 - 2 * find_link(reading.plan)[1])
    yield reading.hold(
        rate >= least,
        f"class {rest.name} is not starved",
        f"{least:.0f} bit/s or more",
        f"{rate:.0f} bit/s of {find_offered_bps(reading):.0f} offered",
    )
    urgent = [reading.find(load_flow(place)) for place, _ in list_urgent(qos)]
    whole = find_rate_bps([*best, *urgent], LOAD_S)
    low, high = (round(share * qos.uplink_bps) for share in WHOLE)
    low = round(low * (1 - 2 * find_link(reading.plan)[1]))
    claim = "the device sends at its uplink's rate and no more, so that the queue is its own"
    yield reading.hold(low <= whole <= high, claim, f"{low} to {high} bit/s in all", f"{whole:.0f} bit/s")
    if is_cellular(reading.plan):
        given = reading.plan.records.carrier.up_bps
        claim = "the device sends no faster than the carrier takes it"
        holds = not given or qos.uplink_bps <= given
        yield reading.hold(holds, claim, f"at most {given} bit/s, on the carrier's record", f"{qos.uplink_bps} bit/s")


def find_rate_bps(flows: list[Flow], seconds: float) -> float:
    """Return the rate at which streams arrived together, taken while all were sent and after the queue had filled."""
    sent = [flow for flow in flows if flow.sent]
    if not sent:
        return 0.0
    first = max(flow.began_ns for flow in sent) // BIN_NS + 1 + min(FILL_BINS, round(seconds * 10) // 3)
    after = min(flow.ended_ns for flow in sent) // BIN_NS
    bits = sum(count * flow.wire_bytes * 8 for flow in sent for at, count in flow.bins if first <= at < after)
    return bits / ((after - first) * BIN_NS / 1e9) if after > first else 0.0


# ---------------------------------------------------------------- markings


def list_marks(qos: Qos) -> dict[str, list[int]]:
    """Return every code point of the urgent classes, with the streams that carry it."""
    marks: dict[str, list[int]] = {}
    for place, one in list_urgent(qos):
        marks[one.dscp[0]] = [control_flow(place), load_flow(place)]
        for nth, name in enumerate(one.dscp[1:], start=1):
            marks[name] = [mark_flow(place, nth)]
    return marks


def _judge_inner(reading: Reading) -> Iterator[Finding]:
    for name, numbers in list_marks(reading.qos).items():
        value = str(DSCP_VALUES[name])
        seen = _add([reading.find(number).dscp or {} for number in numbers])
        claim = f"a trusted client's {name} arrives at HQ as it was sent"
        yield reading.hold(
            bool(seen) and set(seen) == {value}, claim, f"code point {value} only (RFC 4594 figure 3)", _tell(seen)
        )


def _judge_outer(reading: Reading) -> Iterator[Finding]:
    counts, qos = reading.outer.get("esp"), reading.qos
    counts = counts if isinstance(counts, Mapping) else {}
    ceilings: dict[str, list[int]] = {one.dscp[0]: [ceiling_flow(place)] for place, one in list_ceilings(qos)}
    carried = {name: [*numbers, *ceilings.get(name, [])] for name, numbers in list_marks(qos).items()}
    for name, numbers in {**carried, "df": [INSIDE]}.items():
        value = str(DSCP_VALUES[name])
        arrived = sum(reading.find(number).received for number in numbers)
        claim = f"the tunnel's outer header carries the inner {name} (RFC 4301 section 5.1.2.1)"
        if as_count(reading.outer.get("dropped")):
            yield leave_open(NAME, claim, "a witness that missed nothing", f"{reading.outer.get('dropped')} missed")
            continue
        expected = f"{arrived} packets of ESP or more with code point {value}"
        yield reading.hold(0 < arrived <= as_count(counts.get(value)), claim, expected, _tell(counts))


def _judge_untrusted(reading: Reading) -> Iterator[Finding]:
    flow, flooder = reading.find(MARKED), find_flooder(reading.plan)
    if flooder is None or flooder.segment.name in reading.qos.trusted or not list_urgent(reading.qos):
        return
    claim = f"marks of segment {flooder.segment.name}, which is not trusted, leave as df"
    seen = dict(flow.dscp or {})
    if not seen:
        yield leave_open(NAME, claim, "code point 0 only", "nothing of it arrived", reading.evidence)
        return
    yield reading.hold(set(seen) == {"0"}, claim, "code point 0 only (RFC 2475 section 2.3.3)", _tell(seen))


def _add(counts: list[Mapping[str, int]]) -> dict[str, int]:
    total: dict[str, int] = {}
    for each in counts:
        for key, value in each.items():
            total[str(key)] = total.get(str(key), 0) + as_count(value)
    return total


def _tell(counts: Mapping[str, Any]) -> str:
    listed = ", ".join(f"{count} with {dscp}" for dscp, count in counts.items())
    return f"packets by code point: {listed}" if listed else "nothing arrived"
