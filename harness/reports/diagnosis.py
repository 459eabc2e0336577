"""A diagnosis in words, 80 columns, no colour needed. Layer: reports, pure.

Where the bring-up stopped; the causes, the most probable first, each with what speaks for it (the observations by their
number on the tape, with seconds from power-on), what would tell it from the next, and what to do at the bench, at the
site, and what to say to the person there. Where no cause fits: what was looked at, and where to look.
"""

from __future__ import annotations

import json
import textwrap
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from harness.core.entries import Seen
from harness.core.machine import RunMachine
from harness.core.model import Finding, Observation
from harness.core.registry import load_stages
from harness.core.timing import to_ns, to_s
from harness.diagnosis.case import Case
from harness.diagnosis.diagnose import Diagnosis, Ground, Named, load_causes
from harness.reports.text import WIDTH, check_lines, explain_stage, stage_line

FIRST = 3
"""Causes that are shown, and observations that are shown of each thing seen, unless all are asked for."""
SHORT = 2
"""Causes that a run's closing lines name."""
LONGEST_VALUE = 44
"""Characters of one field's value that are shown."""
QUIET_BEATS = 4
"""Heartbeats in a row that must be missing to be called a silence: radio loses one or two now and then. Our choice."""

LONGEST_LIST = 8
"""Observations of a trouble without a name that are shown."""
TROUBLES = frozenset(
    {
        ("carrier", "attach.refused"),
        ("carrier", "pdn.refused"),
        ("hq-gateway", "sa.refused"),
        ("management", "session.refused"),
        ("router", "boot.started"),
        ("router", "config.rolled_back"),
        ("router", "runtime.exited"),
        ("router", "tunnel.down"),
        ("router", "uplink.down"),
    }
)
"""Source and kind of what a branch in service, left alone, never shows."""


@dataclass(frozen=True, slots=True)
class Explained:
    """A run that was replayed, and what is made of it."""

    name: str
    machine: RunMachine
    case: Case
    diagnosis: Diagnosis


# ---------------------------------------------------------------- in short


def render_short(diagnosis: Diagnosis, folder: str = "") -> str:
    """Return the first causes in a few lines, for the end of a run that is not proven; empty where nothing is wrong."""
    if not diagnosis.named:
        if diagnosis.stopped is None:
            return ""
        return _field("  cause", "not known" + _point_at(folder))
    lines: list[str] = []
    for place, named in enumerate(diagnosis.named[:SHORT]):
        lines.append(_field("  cause" if place == 0 else "  or", f"{named.cause.title} ({named.cause.name})"))
        if place == 0:
            lines.append(_field("", "because " + "; ".join(_tell_short(g) for g in _order(named.grounds)[:FIRST])))
    if folder:
        lines.append(_field("", f"branchproof explain {folder}"))
    return _make_printable("\n".join(lines))


def _point_at(folder: str) -> str:
    return f"; branchproof explain {folder}" if folder else ""


def _tell_short(ground: Ground) -> str:
    numbers = ", ".join(map(str, ground.evidence[:FIRST])) + (", ..." if len(ground.evidence) > FIRST else "")
    return ground.text + (f" [{numbers}]" if numbers else "")


def _order(grounds: Iterable[Ground]) -> list[Ground]:
    """Return what can be pointed at first."""
    return sorted(grounds, key=lambda g: not g.evidence)


# ---------------------------------------------------------------- at length


def render_diagnosis(explained: Explained, *, show_all: bool = False) -> str:
    """Return the whole of it. `show_all`: every cause that fits, and every observation that it rests on."""
    case, named = explained.case, explained.diagnosis.named
    blocks = [_hang("", explained.name, 2), _render_stop(explained)]
    if not explained.machine.done:
        blocks.append(_render_broken_off(explained))
    elif named:
        shown = named if show_all else named[:FIRST]
        blocks += [_render_named(explained, n, place, show_all) for place, n in enumerate(shown, 1)]
        if len(shown) < len(named):
            blocks.append(f"and {len(named) - len(shown)} less probable: --all shows them")
    elif case.stopped is not None:
        blocks.append(_render_not_known(explained))
    else:
        blocks.append(_render_well(explained))
    return _make_printable("\n\n".join(blocks))


def _render_stop(explained: Explained) -> str:
    case = explained.case
    result = case.find_result(case.stopped) if case.stopped else None
    if result is None:
        lines = [f"every stage is passed ({len(case.results)} of them)"]
        return "\n".join([*lines, *_render_checks(explained.machine.findings())])
    parts = ["stopped at", stage_line(result), explain_stage(result)]
    return "\n".join(filter(None, parts))


def _render_checks(findings: Sequence[Finding]) -> list[str]:
    """Return the claims beyond the stages that were tried and do not hold."""
    names = list(dict.fromkeys(f.check for f in findings if f.outcome == "FAIL"))
    return [check_lines(name, [f for f in findings if f.check == name]) for name in names]


def _render_named(explained: Explained, named: Named, place: int, show_all: bool) -> str:
    cause = named.cause
    lines = [_field(f"{place}.", f"{cause.title} ({cause.name})", 3)]
    for word, grounds in (("because", _order(named.grounds)), ("against", _order(named.against))):
        for ground in grounds:
            lines.append(_field(f"   {word}", ground.text))
            lines += _render_evidence(explained, ground.evidence, show_all)
    lines += [
        _field("   to tell", cause.tell_apart),
        _field("   at bench", cause.at_bench),
        _field("   at site", cause.at_site),
        _field("   to say", f'"{cause.sentence}"'),
    ]
    return "\n".join(lines)


def _render_evidence(explained: Explained, numbers: Sequence[int], show_all: bool) -> list[str]:
    shown = numbers if show_all or len(numbers) <= FIRST + 1 else numbers[:FIRST]
    lines = [_render_observation(explained, n) for n in shown]
    if len(shown) < len(numbers):
        lines.append(f"{'':15}and {len(numbers) - len(shown)} more")
    return lines


def _render_observation(explained: Explained, number: int) -> str:
    seen = explained.machine.evidence[number]
    at_s = to_s(seen.at_ns - find_power_on_ns(explained.machine.evidence))
    head = f"     {number:>6} {at_s:+9.2f} s  "
    return _hang(head, f"{seen.source} {seen.kind} {_tell_fields(seen.data)}".rstrip(), len(head) + 2)


def find_power_on_ns(evidence: Sequence[Observation]) -> int:
    """Return when the router's console was first heard; without a router, when anything was."""
    boots = [o.at_ns for o in evidence if o.source == "router" and o.kind == "boot.started"]
    routers = [o.at_ns for o in evidence if o.source == "router"]
    return min(boots or routers or [o.at_ns for o in evidence], default=0)


def _tell_fields(data: Mapping[str, Any]) -> str:
    return " ".join(f"{name}={_tell_value(value)}" for name, value in data.items() if value is not None)


def _tell_value(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    text = " ".join(text.split())
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 3] + "..."


# ---------------------------------------------------------------- where there is no cause to name


def _render_not_known(explained: Explained) -> str:
    """Return what was looked at, and where to look, of a bring-up that was stopped by nothing that is known."""
    case = explained.case
    counts = Counter(s.observation.source for s in case.evidence)
    heard = ", ".join(f"{source} {count}" for source, count in sorted(counts.items())) or "nothing at all"
    lines = [
        "not known: no cause of the rule base fits what was seen",
        _field("   looked at", f"{len(load_causes())} causes; {len(case.evidence)} observations: {heard}"),
        *_render_last(explained, case),
        _field("   look at", _tell_where(explained)),
    ]
    return "\n".join(lines)


def _render_last(explained: Explained, case: Case) -> list[str]:
    """Return the last thing heard of each witness of the stage."""
    lines = []
    for source in _list_witnesses(case):
        last = next((s for s in reversed(list(case.evidence)) if s.observation.source == source), None)
        lines.append(_field("   last", f"{source}:" if last else f"{source}: nothing"))
        lines += [_render_observation(explained, last.index)] if last else []
    return lines


def _list_witnesses(case: Case) -> list[str]:
    """Return who would have seen the stage that stopped it, and who gives hints of why it was missed; router last."""
    stage = next((s for s in load_stages() if s.name == case.stopped), None)
    if stage is None:
        return ["router"]
    named = [n.source for n in stage.needs(case.plan)] + [h.source for h in stage.hints]
    return [*(s for s in dict.fromkeys(named) if s != "router"), "router"]


def _tell_where(explained: Explained) -> str:
    nodes = _list_witnesses(explained.case)
    last = max((s.index for s in explained.case.evidence), default=0)
    logs = ", ".join(f"nodes/{node}.log" for node in nodes)
    return f"{logs}; the packets in captures/; tape.jsonl up to number {last}"


def _render_broken_off(explained: Explained) -> str:
    running = explained.machine.running
    where = f"while {running.name} was under way" if running else "before its end"
    last = max(range(len(explained.machine.evidence)), key=lambda n: explained.machine.evidence[n].at_ns, default=None)
    lines = [_hang("", f"not known: the run was broken off {where}; there is nothing to judge it by", 0)]
    if last is not None:
        lines += ["   last seen", _render_observation(explained, last)]
    return "\n".join(lines)


def _render_well(explained: Explained) -> str:
    machine = explained.machine
    failed = [f for f in machine.findings() if f.outcome == "FAIL"]
    if failed:
        text = (
            "no trouble of the branch was found that would explain the claims above: what they found is of the profile"
        )
        return _hang("", text + " or of the device itself", 0)
    if any(f.outcome == "PASS" for f in machine.findings()):
        return "nothing wrong was found"  # the checks may themselves cut the branch off: what came later is theirs
    troubles = _find_troubles(explained.case)
    if not troubles:
        return "nothing wrong was found"
    shown = [_render_observation(explained, s.index) for s in troubles[:LONGEST_LIST]]
    more = [f"{'':15}and {len(troubles) - len(shown)} more"] if len(troubles) > len(shown) else []
    head = "not known: the bring-up is passed, but what came after it is not explained by any cause of the rule base"
    where = "nodes/*.log and captures/ of that time"
    return "\n".join([_hang("", head, 0), *shown, *more, _field("   look at", where)])


def _find_troubles(case: Case) -> list[Seen]:
    """Return what a branch in service does not show: links lost, refusals, starts, heartbeats that are missing."""
    found = [s for s in case.later if (s.observation.source, s.observation.kind) in TROUBLES]
    beats = case.evidence.find_all("management", "heartbeat.received")
    quiet_ns = to_ns(QUIET_BEATS * case.plan.branch.heartbeat_s)
    found += [s for pair in pairwise(beats) if pair[1].at_ns - pair[0].at_ns > quiet_ns for s in pair]
    return sorted(_set_apart(found), key=lambda s: (s.at_ns, s.index))


def _set_apart(found: Iterable[Seen]) -> list[Seen]:
    """Return each observation once."""
    return list({s.index: s for s in found}.values())


# ---------------------------------------------------------------- lines


def _make_printable(text: str) -> str:
    """Return a text without what a terminal would obey: a tape may come from anywhere."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def _field(name: str, text: str, width: int = 12) -> str:
    return _hang(f"{name:<{width}}", text, width)


def _hang(head: str, text: str, indent: int) -> str:
    """Return head and text; further lines are moved in."""
    lines = textwrap.wrap(text, WIDTH, initial_indent=head, subsequent_indent=" " * indent, break_on_hyphens=False)
    return "\n".join(lines or [head.rstrip()])
