"""Who is told in which lane, and what happened there. Layer: story, pure."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from harness.checks._vantages import list_all_clients
from harness.core.model import Observation, Plan, StageResult
from harness.core.timing import to_s
from harness.story.model import Event, Lane, LaneName
from harness.timeline.entries import Entry
from harness.timeline.merge import Timeline

LANES: tuple[tuple[LaneName, str, tuple[str, ...]], ...] = (
    ("device", "device", ("router",)),
    ("clients", "clients and their cables", ("bridges",)),
    ("carrier", "carrier", ("carrier",)),
    ("internet", "internet", ("internet",)),
    ("management", "management", ("management",)),
    ("hq", "headquarters", ("hq-gateway", "hq-endpoint")),
)
"""Lane, title, nodes; the clients are added as the plan has them. `bridges` are the cables to the clients."""
_NUMBER = re.compile(r"obs (\d+)")


def list_lanes(plan: Plan) -> tuple[Lane, ...]:
    """Return the lanes in their order, each with its nodes."""
    clients = tuple(client for client, _ in list_all_clients(plan))
    return tuple(Lane(name, title, (*(clients if name == "clients" else ()), *own)) for name, title, own in LANES)


def list_events(
    timeline: Timeline, lanes: Sequence[Lane], stages: Sequence[StageResult]
) -> tuple[tuple[Event, ...], tuple[str, ...]]:
    """Return what happened, in order, and notes on what has no lane."""
    homes: dict[str, LaneName] = {node: lane.name for lane in lanes for node in lane.nodes}
    decided: dict[int, str] = {}
    for stage in stages:
        for number in stage.evidence:
            decided.setdefault(number, stage.stage)
    events: list[Event] = []
    homeless: dict[str, int] = {}
    for entry in timeline.entries:
        if entry.kind != "stage" and entry.node not in homes:
            homeless[entry.node] = homeless.get(entry.node, 0) + 1
        else:
            events.append(_tell(entry, timeline.zero_ns, homes, decided))
    notes = tuple(f"{count} events of {node} are not shown: no node of the plan" for node, count in homeless.items())
    return tuple(events), notes


def _tell(entry: Entry, zero_ns: int, homes: Mapping[str, LaneName], decided: Mapping[int, str]) -> Event:
    found = _NUMBER.match(entry.pointer)
    number = int(found[1]) if found else None
    return Event(
        at_s=to_s(entry.at_ns - zero_ns),
        lane="stages" if entry.kind == "stage" else homes[entry.node],
        node=entry.node,
        kind=entry.kind,
        text=entry.text,
        pointer=entry.pointer,
        stage=entry.stage,
        number=number,
        decides=decided.get(number, "") if number is not None else "",
    )


def list_observations(observations: Sequence[Observation], zero_ns: int) -> tuple[dict[str, object], ...]:
    """Return each observation as JSON has it, by number."""
    return tuple(
        {"source": o.source, "part": o.part, "kind": o.kind, "at_s": to_s(o.at_ns - zero_ns), "data": o.data}
        for o in observations
    )
