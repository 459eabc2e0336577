"""nothing_in_clear: over the whole run, all checks included, no packet of branch or HQ left an uplink unprotected.

It comes last, so that a try that a segment must not succeed with is counted where it would have leaked to. Witness: who
is at the other end of each uplink. Not here: what may be tried (segments_reach_hq).
"""

from __future__ import annotations

from harness.core.entries import Check, Evidence, Example, hold
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.stages._hq_measures import judge_clear
from harness.stages._shared import find_segment_network, is_inside
from harness.stages.hq_reached import find_inside, find_outer_link

NAME = "nothing_in_clear"


def why_not(plan: Plan) -> str | None:
    return None


def _label(uplink: str) -> str:
    return f"{NAME}.{uplink}"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    due = []
    for uplink in plan.branch.uplinks:
        node, link = find_outer_link(uplink)
        due.append(Ask(node, "census", {"link": link, "inside": find_inside(plan)}, _label(uplink)))
    return tuple(due)


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
        judge_clear(evidence, NAME, _label(first)),
        *(judge_clear(evidence, NAME, _label(uplink), least_esp=0) for uplink in others),
    )


CHECK = Check(
    name=NAME,
    order=90,
    title="Nothing leaves in clear",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=30.0,
)


def _census(clear: int, esp: int = 800) -> tuple[Observation, ...]:
    result = {"packets": 900, "clear": clear, "clear_examples": [], "esp_udp": esp, "esp": 0, "dropped": 0}
    return (answered("carrier", _label("cellular"), 2.0, result),)


_SOURCE = find_segment_network(build_plan().branch.segments[0]).split("/")[0]
_THROWN = saw("carrier", "source.refused", 1.0, source=_SOURCE, destination="198.18.0.1", protocol=17)

EXAMPLES = (
    Example("all of it in ESP", "PASS", _census(0)),
    Example("a guest's try went out in clear", "FAIL", _census(1)),
    Example("a client's packet went out as it was", "FAIL", (_THROWN, *_census(0))),
    Example("no ESP was seen there at all", "FAIL", _census(0, esp=0)),
    Example("the census is not answered", "INCONCLUSIVE", ()),
)
