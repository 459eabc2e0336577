"""What a run came to, for the page: decision, headline and causes, in the story's own words. Layer: show, pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.core.machine import RunMachine
from harness.core.verdict import combine
from harness.diagnosis.case import build_case
from harness.diagnosis.diagnose import diagnose
from harness.show.messages import show_text
from harness.show.scene import CauseScene, VerdictScene
from harness.story.words import decide, tell_headline

DECISIONS = {"ship": "Ship", "do not ship": "Do not ship", "undecided": "Undecided"}
MOST_CAUSES = 3


@dataclass(frozen=True, slots=True)
class Conclusion:
    verdict: VerdictScene
    causes: tuple[CauseScene, ...]


def conclude(
    machine: RunMachine, logs: Mapping[str, str], faults: Sequence[Mapping[str, Any]], took_s: float
) -> Conclusion:
    """Return what a machine came to that is done, or whose tape ends before (then nothing is diagnosed). `faults`: as
    in story.build.list_faults. `took_s`: from power-on."""
    plan = machine.plan
    verdict = combine(plan, machine, {"since": plan.since})
    decision = decide(verdict, plan, machine.done, faults)
    text = tell_headline(verdict, f"{plan.branch.profile} / {plan.branch.site}", took_s, faults)
    shown = VerdictScene(verdict.proven, DECISIONS[decision], _show(text))
    if not machine.done or (verdict.proven and not faults):
        return Conclusion(shown, ())
    named = diagnose(build_case(machine, logs), most=MOST_CAUSES).named
    causes = (CauseScene(*map(_show, (c.title, c.sentence, c.at_site, c.at_bench))) for c in (n.cause for n in named))
    return Conclusion(shown, tuple(causes))


def _show(text: str) -> str:
    return show_text(text, most=1000)
