"""online: the branch's first packet went out to the internet and it knows its management server's address and the time.

That packets and names get through is witnessed outside. Time is judged by what the router's processes read off their
own clock as they emit, against the clock of nodes that keep true time; the management server's view of it comes with
`checked_in`.
"""

from __future__ import annotations

from harness.core.entries import Evidence, Example, Hint, Need, Seen, Stage, hold, leave_open
from harness.core.model import Finding, Observation, Plan
from harness.core.sample import saw
from harness.stages._shared import SHARED_ADDRESSES, fold_name, is_address, is_cellular, is_inside, measure_clock
from harness.stages.wan_obtained import GRANTED

CLOCK_LIMIT_S = 1.0
"""Common practice, no source: what certificate checks, logs and leases need is far coarser, and NTP far finer."""


FIXED_LINE = "198.18.64.0/24"
"""The bench's fixed line (DEVELOPERS.md, Links): a packet from there with another source was not translated."""


def _names(plan: Plan) -> frozenset[str]:
    return frozenset(fold_name(b.address) for b in plan.branch.bootstrap if not is_address(b.address))


def needs(plan: Plan) -> tuple[Need, ...]:
    names = _names(plan)

    def is_shared(plan: Plan, seen: Observation) -> bool:
        return is_inside(seen.data.get("address"), (str(SHARED_ADDRESSES),))

    def is_fixed(plan: Plan, seen: Observation) -> bool:
        return seen.data.get("link") == "fixed" and is_inside(seen.data.get("source"), (FIXED_LINE,))

    def is_bootstrap(plan: Plan, seen: Observation) -> bool:
        return fold_name(seen.data.get("name")) in names and bool(seen.data.get("address"))

    cellular = is_cellular(plan)
    own = plan.branch.name_servers
    at_carrier = not own or any(is_inside(n, (str(SHARED_ADDRESSES),)) for n in own)
    resolver = "carrier" if cellular and at_carrier else "internet"
    out = (
        Need("carrier", "address.first_used", is_shared, "the carrier sends a packet of the branch on")
        if cellular
        else Need("internet", "address.seen", is_fixed, "a packet of the branch comes from the fixed line")
    )
    if not names:
        return (out,)
    return out, Need(resolver, "name.answered", is_bootstrap, f"{resolver} answers for {' or '.join(sorted(names))}")


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    return (*(_judge_bearer(plan, evidence) if is_cellular(plan) else ()), _judge_clock(evidence))


def _judge_bearer(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    granted = evidence.find_first("carrier", "pdn.granted")
    used = evidence.find_first("carrier", "address.first_used")
    up = evidence.find_first("router", "uplink.up", uplink="cellular")
    given = granted.data.get("address") if granted else None
    address = used.data.get("address") if used else None
    mtus = {"carrier": granted.data.get("mtu") if granted else None, "router": up.data.get("mtu") if up else None}
    wanted = plan.records.carrier.mtu
    name_servers = granted.data.get("dns") if granted else None
    return (
        hold(
            "online.address",
            address == given and is_inside(address, (str(SHARED_ADDRESSES),)),
            "the branch sends from the address it was given, out of the carrier's pool (RFC 6598)",
            f"{given}, inside {SHARED_ADDRESSES}",
            f"{address}",
            [granted, used],
        ),
        hold(
            "online.mtu",
            list(mtus.values()) == [wanted, wanted],
            "the uplink's MTU is the one on the carrier's record",
            f"{wanted}",
            f"carrier gave {mtus['carrier']}, router set {mtus['router']}",
            [granted, up],
        ),
        hold(
            "online.dns",
            bool(name_servers),
            "the carrier gives name servers",
            "one or more",
            f"{name_servers or 'nothing'}",
            [granted],
        ),
    )


def _find_clock_evidence(evidence: Evidence) -> tuple[Seen | None, Seen | None]:
    """Return the step of the router's clock after which it was most wrong, and what the runtime emitted next."""
    pairs = [(step, _find_next(evidence, step)) for step in evidence.find_all("router", "clock.set")]
    if not pairs:
        return None, None
    return max(pairs, key=lambda pair: abs(measure_clock(evidence, pair[1]) or 0.0))


def _find_next(evidence: Evidence, step: Seen) -> Seen:
    """Return the first thing that the runtime emitted after a step, before the next boot; else the step itself."""
    for seen in evidence:
        if seen.at_ns > step.at_ns and seen.observation.source == "router":
            if seen.observation.kind == "boot.started":
                break
            if seen.observation.part == "runtime":
                return seen
    return step


def _judge_clock(evidence: Evidence) -> Finding:
    check, claim = "online.clock", "the router's clock is right after it was set"
    expected = f"at most {CLOCK_LIMIT_S:g} s from true time"
    step, after = _find_clock_evidence(evidence)
    if step is None or after is None:
        heard = evidence.find_last("router", "uplink.up")
        return hold(check, False, claim, expected, "nothing: the router never set its clock", [heard])
    off_s = measure_clock(evidence, after)
    if off_s is None:
        return leave_open(check, claim, expected, "nothing to compare with", [after])
    seen = f"{off_s:+.3f} s after a step of {step.data.get('offset_s')} s by {step.data.get('server')}"
    return hold(check, abs(off_s) <= CLOCK_LIMIT_S, claim, expected, seen, [step, after])


def summary(plan: Plan, evidence: Evidence) -> str:
    _, after = _find_clock_evidence(evidence)
    off_s = measure_clock(evidence, after) if after else None
    first = evidence.find_first("router", "clock.set")
    stepped = say_span(first.data.get("offset_s")) if first else ""
    clock = f"clock within {max(abs(off_s), 0.001):.3f} s after a step of {stepped}" if off_s is not None else ""
    used = evidence.find_first("carrier" if is_cellular(plan) else "internet", _first_packet(plan))
    return ", ".join(filter(None, [f"first packet to {used.data.get('destination')}" if used else "", clock]))


def say_span(seconds: object) -> str:
    """Return a span of time as people say it: `7.7 years`, `3 days`, `0.02 s`; a year is 365.25 days."""
    if not isinstance(seconds, int | float):
        return "unknown length"
    for unit, length_s in (("years", 31557600), ("days", 86400), ("hours", 3600)):
        if abs(seconds) >= length_s:
            return f"{seconds / length_s:.1f} {unit}"
    return f"{seconds:.2f} s"


def _first_packet(plan: Plan) -> str:
    return "address.first_used" if is_cellular(plan) else "address.seen"


STAGE = Stage(
    name="online",
    order=30,
    title="The branch reaches the internet",
    witness="carrier or internet: the first packet goes on, and a bootstrap server's name is answered",
    needs=needs,
    judge=judge,
    summary=summary,
    hints=(
        Hint("router", "uplink.down", ("uplink", "reason")),
        Hint("carrier", "name.answered", ("name", "address")),
        Hint("internet", "name.answered", ("name", "address")),
    ),
)

USED = saw("carrier", "address.first_used", 4.0, address="100.64.0.2", destination="198.18.0.1", protocol="udp")
NAMED = saw("carrier", "name.answered", 5.0, client="100.64.0.2", name="ztp.skerry.example", address="198.18.0.20")
_UP = saw("router/runtime", "uplink.up", 3.5, uplink="cellular", address="100.64.0.2", mtu=1428, wall_off_s=-9e7)
_SET = saw("router/runtime", "clock.set", 4.5, server="ntp.skerry.example", offset_s=9e7, wall_off_s=0.004)
_WRONG = saw("router/runtime", "clock.set", 4.5, server="ntp.skerry.example", offset_s=9e7, wall_off_s=-3.0)
_LATER = saw("router/runtime", "clock.set", 4.8, server="ntp.skerry.example", offset_s=500.0, wall_off_s=500.0)
_NO_SUCH = saw("carrier", "name.answered", 5.0, client="100.64.0.2", name="ztp.skerry.example", address=None)

EXAMPLES = (
    Example("packets, names and time", "PASS", (GRANTED, _UP, USED, _SET, NAMED)),
    Example("no such name", "FAIL", (GRANTED, _UP, USED, _SET, _NO_SUCH)),
    Example("nothing leaves", "FAIL", (GRANTED, _UP)),
    Example("the clock stays 3 s off", "FAIL", (GRANTED, _UP, USED, _WRONG, NAMED)),
    Example("a later step makes the clock wrong", "FAIL", (GRANTED, _UP, USED, _SET, NAMED, _LATER)),
    Example("the clock is never set", "FAIL", (GRANTED, _UP, USED, NAMED)),
)
