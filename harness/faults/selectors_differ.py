"""selectors_differ: the gateway knows the branch by other networks than the branch has."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen, as_list
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._tunnel import CLIENT_S, LONGEST_PAUSE_S
from harness.stages._shared import find_hq_segment, find_segment_network

ELSEWHERE = "203.0.113.0/24"  # RFC 5737: a network that no branch has


def _find_known(plan: Plan, values: Values) -> list[str]:
    """Return the networks that the gateway knows. `client`: the one that the branch is judged by is missing."""
    networks = list(plan.branch.tunnel.local_subnets)
    segment = find_hq_segment(plan)
    judged = find_segment_network(segment) if segment else networks[0]
    missing = {"all": networks, "client": [judged], "other": [n for n in networks if n != judged]}
    return [n for n in networks if n not in missing[str(values["missing"])]] or [ELSEWHERE]


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("hq-gateway", "change_branch_networks", networks=_find_known(plan, values)),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="tunnel_up",
        serves=values["missing"] == "other",
        back_within_s=LONGEST_PAUSE_S + CLIENT_S,
        causes=("selectors_differ",),
        why=(
            "With no network in common the gateway says TS_UNACCEPTABLE, with some it narrows the SA to those (RFC 7296"
            " section 2.9): the tunnel is up, and not for all whom the profile names."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    if values["missing"] == "all":
        return evidence.find_first("hq-gateway", "sa.refused", reason="traffic_selectors")
    children = evidence.find_all("hq-gateway", "child.installed")
    known = set(_find_known(plan, values))
    return next((c for c in children if set(map(str, as_list(c.data.get("remote_ts")))) == known), None)


def why_not(plan: Plan, values: Values) -> str | None:
    is_one = len(plan.branch.tunnel.local_subnets) == 1
    return "the branch has one network in the tunnel" if is_one and values["missing"] != "all" else None


FAULT = Fault(
    name="selectors_differ",
    order=707,
    family="tunnel and HQ",
    title="networks of the tunnel differ",
    cause="A network was added or renumbered at one end only.",
    strikes="tunnel_up",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("missing", "`all`, the `client`'s network or the `other` ones", "all", ("client", "other")),),
    why_not=why_not,
)
