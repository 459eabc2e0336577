"""Everything of a run in one list, in the order in which it happened, with the stage that it fell into.

Layer: timeline, pure. The zero is the first word of the router's console: power came on just before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.core.machine import RunMachine
from harness.core.model import Observation, Plan, TapeEntry
from harness.core.replay import replay
from harness.core.steps import Progress
from harness.core.timing import to_ns
from harness.timeline.entries import (
    Capture,
    Entry,
    measure_wall,
    place_packets,
    point_to_packet,
    read_log,
    read_observation,
    tell_packets,
)
from harness.timeline.packets import read_packets
from harness.timeline.pcap import PcapError

_RANK = {"stage": 0}
"""What of the same instant comes first: a stage's boundary."""


@dataclass(frozen=True, slots=True)
class Timeline:
    """`zero_ns`: power-on. `notes`: how the clocks were brought together, and what could not be read."""

    zero_ns: int
    entries: tuple[Entry, ...]
    notes: tuple[str, ...]


def build_timeline(
    plan: Plan | None,
    tape: Sequence[TapeEntry],
    logs: Mapping[str, str],
    captures: Mapping[str, bytes],
    offset_ns: int | None,
    *,
    steps: tuple[Progress, ...] | None = None,
) -> Timeline:
    """Merge a run. `offset_ns`: the lab's clock less the harness's, None where the run did not live to say. `steps`:
    its stages, where it was replayed already; None: it is replayed here."""
    observations = [e.observation for e in tape if e.observation is not None]
    zero_ns = find_zero(tape, observations)
    notes = [_tell_offset(offset_ns)]
    placed = dict(_place(captures, observations, notes))
    entries = [point_to_packet(read_observation(n, o), placed) for n, o in enumerate(observations)]
    for node, text in logs.items():
        entries += read_log(node, text, offset_ns or 0)
    for capture in placed.values():
        entries += tell_packets(capture, _find_node(capture.name, logs, observations))
    if steps is None:
        steps = _list_stages(plan, tape, notes)
    entries += _tell_stages(steps)
    entries.sort(key=lambda e: (e.at_ns, _RANK.get(e.kind, 1)))
    return Timeline(zero_ns, tuple(_with_stage(entries, steps)), tuple(notes))


def find_zero(tape: Sequence[TapeEntry], observations: Iterable[Observation]) -> int:
    """Return the instant of power-on: the console's first word, else the run's start, else the first of all."""
    heard = [o.at_ns for o in observations if o.source == "router"]
    started = [e.now_ns for e in tape if e.kind == "start"]
    return min(heard, default=started[0] if started else (tape[0].now_ns if tape else 0))


def _tell_offset(offset_ns: int | None) -> str:
    if offset_ns is None:
        return "node logs: the run did not say how far its clocks are apart; taken as one"
    return f"node logs: the nodes' monotonic clock less {offset_ns / 1e6:g} ms, as measured at the lab's start"


def _place(
    captures: Mapping[str, bytes], observations: Sequence[Observation], notes: list[str]
) -> Iterable[tuple[str, Capture]]:
    for name, content in captures.items():
        node = _find_node(name, (), observations)
        wall = measure_wall(observations, node)
        if wall is None:
            notes.append(f"{name}: left out, since {node} said nothing that would place its clock")
            continue
        try:
            yield name, place_packets(name, read_packets(content), wall)
            notes.append(f"{name}: the wall clock of {node}, placed to {wall.spread_ns / 1e6:.1f} ms by what it said")
        except PcapError as error:
            notes.append(f"{name}: {error}")


def _find_node(name: str, logs: Iterable[str], observations: Iterable[Observation]) -> str:
    """Return the node of a capture ``captures/NODE-LINK.pcap``: names of nodes have dashes, too."""
    stem = name.removeprefix("captures/").removesuffix(".pcap")
    known = {*logs, *(o.source for o in observations)}
    return max((n for n in known if stem.startswith(f"{n}-")), key=len, default=stem.rpartition("-")[0])


def _list_stages(plan: Plan | None, tape: Sequence[TapeEntry], notes: list[str]) -> tuple[Progress, ...]:
    if plan is None:
        return ()
    try:
        machine: RunMachine = replay(plan, tape)
    except (ValueError, KeyError, LookupError) as error:
        notes.append(f"stages: not shown; plan and tape do not go with this version of the bench ({error})")
        return ()
    return machine.progress


def _tell_stages(steps: Iterable[Progress]) -> Iterable[Entry]:
    for step in steps:
        if step.started_ns is None:
            continue
        yield Entry(step.started_ns, "", "stage", f"{step.name} begins, {step.budget_s:g} s to go", "", step.name)
        if step.took_s is not None:
            end_ns = step.started_ns + to_ns(step.took_s)
            yield Entry(end_ns, "", "stage", f"{step.name} reached after {step.took_s:.3f} s", "", step.name)
        elif step.state in ("missed", "broken"):
            end_ns = step.started_ns + to_ns(step.budget_s)
            yield Entry(end_ns, "", "stage", f"{step.name} {step.state}: not reached in time", "", step.name)


def _with_stage(entries: Iterable[Entry], steps: Sequence[Progress]) -> Iterable[Entry]:
    """Give each entry the stage that was under way; after the last one none is."""
    windows = []
    for step in steps:
        if step.started_ns is not None:
            length_s = step.took_s if step.took_s is not None else step.budget_s
            windows.append((step.started_ns, step.started_ns + to_ns(length_s), step.name))
    for entry in entries:
        name = next((n for since, until, n in windows if since <= entry.at_ns <= until), "")
        yield entry if entry.stage else replace(entry, stage=name)


def choose(
    entries: Iterable[Entry],
    nodes: Iterable[str] = (),
    stages: Iterable[str] = (),
    kinds: Iterable[str] = (),
    text: str = "",
) -> tuple[Entry, ...]:
    """Return what was asked for; an empty wish is for all. `text`: anywhere in an entry, whatever the case."""
    wanted = tuple(map(frozenset, (nodes, stages, kinds)))
    return tuple(
        e
        for e in entries
        if all(not w or v in w for w, v in zip(wanted, (e.node, e.stage, e.kind), strict=True))
        and text.casefold() in f"{e.node} {e.kind} {e.text}".casefold()
    )
