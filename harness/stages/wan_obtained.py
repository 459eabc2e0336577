"""wan_obtained: the first uplink has an address, as its provider sees it: a carrier's bearer, or a fixed line's lease.

Signal bands (excellent, good, fair, poor) are common practice, no source: no standard sets any. RSRP and RSRQ are those
of TS 36.214 clauses 5.1.1 and 5.1.3.
"""

from __future__ import annotations

from harness.core.entries import Evidence, Example, Hint, Need, Seen, Stage, hold
from harness.core.model import Finding, Observation, Plan
from harness.core.sample import build_plan, saw
from harness.stages._shared import find_imsis, fold_name, is_cellular, is_inside, tell

FIXED_LINE = "198.18.64.0/24"  # the fixed link of the bench (DEVELOPERS.md, Links)
_BANDS = ((-80.0, "excellent"), (-90.0, "good"), (-100.0, "fair"))


def needs(plan: Plan) -> tuple[Need, ...]:
    imsis = find_imsis(plan)

    def is_ours(plan: Plan, seen: Observation) -> bool:
        return str(seen.data.get("imsi")) in imsis

    if is_cellular(plan):
        return (Need("carrier", "pdn.granted", is_ours, "the carrier grants a bearer to the branch's IMSI"),)
    return (Need("internet", "dhcp.leased", lambda plan, seen: True, "the fixed line leases an address"),)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    return _judge_cellular(plan, evidence) if is_cellular(plan) else _judge_fixed(evidence)


def _judge_cellular(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    granted = _find_granted(plan, evidence)
    if granted is None:
        return ()
    listed = [a.name for sim in plan.branch.sims if sim.imsi == granted.data.get("imsi") for a in sim.apns]
    apn = granted.data.get("apn")
    refused = _find_refused(plan, evidence, granted)
    told = ", ".join(tell(s.data, "apn", "cause", "cause_name") for s in refused) or "none"
    signal = [granted.data.get(k) for k in ("rsrp_dbm", "rsrq_db", "sinr_db")]
    return (
        hold(
            "wan_obtained.apn",
            fold_name(apn) in {fold_name(n) for n in listed},
            "the APN is one that the profile lists for this card",
            " or ".join(listed),
            f"{apn}",
            [granted],
        ),
        hold(
            "wan_obtained.tries",
            True,
            "how the bearer was come by (information)",
            "any number of tries",
            f"granted at try {len(refused) + 1}; refused before: {told}",
            [*refused, granted],
        ),
        hold(
            "wan_obtained.signal",
            all(isinstance(v, int | float) for v in signal),
            "the carrier reports the signal",
            "RSRP, RSRQ and SINR",
            _tell_signal(granted),
            [granted],
        ),
    )


def _judge_fixed(evidence: Evidence) -> tuple[Finding, ...]:
    leased = evidence.find_first("internet", "dhcp.leased")
    if leased is None:
        return ()
    return (
        hold(
            "wan_obtained.lease",
            is_inside(leased.data.get("address"), (FIXED_LINE,)),
            "the address is one of the fixed line's",
            FIXED_LINE,
            tell(leased.data, "address", "lease_s"),
            [leased],
        ),
    )


def _find_granted(plan: Plan, evidence: Evidence) -> Seen | None:
    imsis = find_imsis(plan)
    return next((s for s in evidence.find_all("carrier", "pdn.granted") if str(s.data.get("imsi")) in imsis), None)


def _find_refused(plan: Plan, evidence: Evidence, granted: Seen) -> list[Seen]:
    kinds = ("attach.refused", "pdn.refused")
    refused = [s for kind in kinds for s in evidence.find_all("carrier", kind) if s.at_ns <= granted.at_ns]
    return sorted(refused, key=lambda s: s.at_ns)


def _tell_signal(granted: Seen) -> str:
    rsrp = granted.data.get("rsrp_dbm")
    if not isinstance(rsrp, int | float):
        return "nothing"
    band = next((name for least, name in _BANDS if rsrp >= least), "poor")
    return tell(granted.data, "rsrp_dbm", "rsrq_db", "sinr_db") + f" ({band} by RSRP, common practice)"


def summary(plan: Plan, evidence: Evidence) -> str:
    if not is_cellular(plan):
        leased = evidence.find_first("internet", "dhcp.leased")
        return f"leased {leased.data.get('address')}" if leased else ""
    granted = _find_granted(plan, evidence)
    if granted is None:
        return ""
    tries = len(_find_refused(plan, evidence, granted)) + 1
    apn, address, rsrp = (granted.data.get(k) for k in ("apn", "address", "rsrp_dbm"))
    return f"{apn} at try {tries}, {address}, RSRP {rsrp} dBm"


STAGE = Stage(
    name="wan_obtained",
    order=20,
    title="The uplink has an address",
    witness="the carrier grants the bearer, or the fixed line leases an address",
    needs=needs,
    judge=judge,
    summary=summary,
    hints=(
        Hint("carrier", "attach.refused", ("imsi", "cause", "cause_name")),
        Hint("carrier", "pdn.refused", ("apn", "cause", "cause_name")),
        Hint("router", "sim.blocked", ("slot", "reason")),
        Hint("router", "apn.tried", ("apn", "outcome", "cme"), lambda seen: seen.data.get("outcome") != "granted"),
    ),
)

IMSI = "999700000000017"
_REFUSED = saw(
    "carrier", "pdn.refused", 2.0, imsi=IMSI, apn="iot.skerry.example", cause=27, cause_name="Missing or unknown APN"
)
GRANTED = saw(
    "carrier",
    "pdn.granted",
    3.0,
    imsi=IMSI,
    apn="m2m.skerry.example",
    address="100.64.0.2",
    mtu=1428,
    dns=["100.64.0.1"],
    rsrp_dbm=-93.0,
    rsrq_db=-11.0,
    sinr_db=9.0,
)
_STRAY = saw("carrier", "pdn.granted", 3.0, imsi="999700000000099", apn="m2m.skerry.example", address="100.64.0.9")
_UNLISTED = saw(
    "carrier",
    "pdn.granted",
    3.0,
    imsi=IMSI,
    apn="public.example",
    address="100.64.0.2",
    mtu=1428,
    rsrp_dbm=-93.0,
    rsrq_db=-11.0,
    sinr_db=9.0,
)

_ETHERNET = build_plan(uplinks=("ethernet", "cellular"))

EXAMPLES = (
    Example("the second APN is granted", "PASS", (_REFUSED, GRANTED)),
    Example("only refusals", "FAIL", (_REFUSED,)),
    Example("another subscriber's bearer", "FAIL", (_STRAY,)),
    Example("an APN that the profile does not list", "FAIL", (_UNLISTED,)),
    Example(
        "a lease of the fixed line",
        "PASS",
        (saw("internet", "dhcp.leased", 2.0, mac="02:5b:00:00:01:11", address="198.18.64.100", lease_s=600),),
        _ETHERNET,
    ),
    Example("no lease", "FAIL", (GRANTED,), _ETHERNET),
)
