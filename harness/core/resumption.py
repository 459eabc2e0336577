"""May a run be gone on with from a stage, and what of it is taken along. Layer: core, pure.

A stage that a run missed can be taken up: the device is still at it. One that was reached can be run again only where
something has the device do it again: another configuration, a tunnel that is ended, a client that is asked. For all
others the lab would wait for what does not come, and the device would be blamed.

What is taken along of the run before is what was seen by the time when the stage began: later evidence is of the try
that is repeated. Answers lose their labels, so that no probe of the new run takes an old one's for its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from harness.core.entries import ANSWERED
from harness.core.machine import RunMachine
from harness.core.model import Observation

REACHED = ("reached", "taken")
AGAIN = ("configured", "tunnel_up", "hq_reached")
"""Stages that can be had again; the first only with a configuration that the device does not run already."""


def find_reason(machine: RunMachine, since: str, stages: Sequence[str], *, news: bool) -> str | None:
    """Return why a run that is over cannot be gone on with from a stage, or None. `news`: the configuration that the
    plan now asks for is another one."""
    steps = {p.name: p.state for p in machine.progress}
    missed = next((name for name in stages if steps.get(name) not in REACHED), None)
    if since == stages[0]:
        return f"{since} is where every run begins: start over with `branchproof prove`"
    if missed is not None and stages.index(since) > stages.index(missed):
        return f"{missed} was not reached: go on from there"
    if since == missed:
        return None
    if since not in AGAIN:
        later = missed or "tunnel_up"
        return f"{since} was reached, and nothing has the device do it again: go on from {later}, or start over"
    if since == "configured" and not news:
        return "the device runs this very configuration already: go on from tunnel_up, or change it"
    return None


def find_unseen(since: str, standing: Mapping[str, Any]) -> str | None:
    """Return a stage, `since` or a later one, that was reached while nobody watched, or None. `standing`: what carrier
    and management say of the branch now (verb ``standing``, by node)."""
    devices = [v for v in (standing.get("management") or {}).values() if isinstance(v, Mapping)]
    reports = [r for d in devices for r in d.get("reports", ())]
    asked = any(d.get("requests") for d in devices)
    reached = {
        "wan_obtained": bool((standing.get("carrier") or {}).get("granted")) or asked,
        "online": asked,
        "checked_in": "bootstrap-initiated" in reports,
        "upgraded": "bootstrap-complete" in reports,
        "configured": "bootstrap-complete" in reports,
    }
    return since if reached.get(since) else None


def take_along(machine: RunMachine, since: str) -> tuple[Observation, ...]:
    """Return what was seen before a stage began, in the order in which it was got."""
    begun = next((p.started_ns for p in machine.progress if p.name == since), None)
    until_ns = machine.stages_closed_ns if begun is None else begun
    return tuple(_forget_label(o) for o in machine.evidence if o.at_ns <= until_ns)


def _forget_label(seen: Observation) -> Observation:
    if seen.kind != ANSWERED or "label" not in seen.data:
        return seen
    return replace(seen, data={key: value for key, value in seen.data.items() if key != "label"})


def part_news(
    observations: Iterable[Observation], told_ns: Mapping[str, int], began_ns: int
) -> tuple[list[Observation], list[Observation]]:
    """Return (what was still of before, what is of the new run). `told_ns`: when each node had been told what changed;
    of a node that was told nothing all counts since `began_ns`."""
    old: list[Observation] = []
    new: list[Observation] = []
    for seen in observations:
        (new if seen.at_ns > told_ns.get(seen.source, began_ns) else old).append(seen)
    return old, new
