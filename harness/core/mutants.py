"""Proof of the proof: does some check notice when what is served is weaker than the plan? Layer: core, pure.

A round is one weakening (`Spoil`) in a lab whose branch was proven before: the device fetches the spoiled document, and
the checks are run again, against the plan as written. A round is noticed when a check fails, when the device refuses
the document, or when it has fetched it and does not come back to management and HQ with it. What happened before the
document was served is of the round before, and counts for nothing here.

Not here: the lab (harness/mutation.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from harness.core.entries import ANSWERED, Check, Need, Spoil, Stage
from harness.core.machine import RunMachine
from harness.core.model import Finding, Observation, Plan

Judgement = Literal["noticed", "survived", "open"]
SERVED = "mutation.serve"
"""Label of the answer to `serve`."""
REFUSED, NOT_UP = "the device refuses it", "the branch does not come up with it"
"""What noticed a round, besides checks."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """A weakening, and the check that names it."""

    check: str
    spoil: Spoil
    is_twin: bool


@dataclass(frozen=True, slots=True)
class Round:
    """What came of one weakening. `by`: what noticed it; `ran`: the checks that were run."""

    mutant: Mutant
    judgement: Judgement
    by: tuple[str, ...]
    ran: tuple[str, ...]
    findings: tuple[Finding, ...]
    took_s: float


def list_mutants(plan: Plan, checks: Sequence[Check]) -> tuple[Mutant, ...]:
    """Return every weakening of every check that applies to the plan."""
    applying = [c for c in checks if c.why_not(plan) is None]
    return tuple(Mutant(c.name, s, place == 0) for c in applying for place, s in enumerate(c.spoils(plan)))


def build_round(plan: Plan, checks: Sequence[Check], names: Sequence[str], needs: tuple[Need, ...]) -> RunMachine:
    """Return the machine of one round, which runs only the checks named, once all `needs` were seen."""
    chosen = [c for c in checks if c.name in names]
    order = list(plan.branch.acceptance.budgets_s)
    after = sorted({c.after for c in chosen}, key=order.index)
    stages = [_stand(name, place, needs if place == 0 else ()) for place, name in enumerate(after)]
    return RunMachine(replace(plan, until=None, only=tuple(names)), stages, chosen)


def _stand(name: str, place: int, needs: tuple[Need, ...]) -> Stage:
    """Return a stage that was reached before, by its name: the first waits for the branch to be there again."""
    return Stage(name, place, name, name, lambda p: needs, lambda p, e: (), lambda p, e: "")


def await_settings() -> tuple[Need, ...]:
    """Return what must be seen where the device is told nothing new."""
    taken = Need("management", ANSWERED, lambda p, o: o.data.get("label") == SERVED, "management takes its settings")
    return (taken,)


def await_device(digest: str, since_ns: int = 0) -> tuple[Need, ...]:
    """Return what must be seen where the device is told a new configuration, of that digest, from an instant on."""

    def is_report(plan: Plan, seen: Observation) -> bool:
        message = str(seen.data.get("message") or "")
        is_done = seen.data.get("progress_type") == "bootstrap-complete" and digest in message
        return (is_done and seen.at_ns >= since_ns) or _is_refusal(seen, since_ns)

    return (
        Need("management", "report.received", is_report, "the device reports on the configuration"),
        Need("hq-gateway", "child.installed", lambda p, o: o.at_ns >= since_ns, "the tunnel is up again"),
    )


def _is_refusal(seen: Observation, since_ns: int) -> bool:
    is_error = seen.kind == "report.received" and seen.data.get("progress_type") == "config-error"
    return is_error and seen.at_ns >= since_ns


def judge_round(machine: RunMachine, digest: str | None, since_ns: int = 0) -> tuple[Judgement, tuple[str, ...]]:
    """Return whether a round was noticed, and by what. `digest` None: the device was told nothing new.

    A branch that is not there has noticed nothing where the device never fetched the document, or had none to fetch.
    """
    if digest is not None and any(_is_refusal(s, since_ns) for s in machine.evidence):
        return "noticed", (REFUSED,)
    if any(s.outcome == "FAIL" for s in machine.results()):
        served = (s for s in machine.evidence if s.kind == "config.served" and s.at_ns >= since_ns)
        is_fetched = digest is not None and any(s.data.get("digest") == digest for s in served)
        return ("noticed", (NOT_UP,)) if is_fetched else ("open", ())
    failed = tuple(dict.fromkeys(f.check for f in machine.findings() if f.outcome == "FAIL"))
    if failed:
        return "noticed", failed
    if any(f.outcome == "INCONCLUSIVE" for f in machine.findings()):
        return "open", ()
    return "survived", ()


def score_pct(rounds: Sequence[Round]) -> float:
    """Return the share of weakenings that were noticed, per cent; 100 of none."""
    return 100.0 * sum(r.judgement == "noticed" for r in rounds) / len(rounds) if rounds else 100.0
