"""The run machine: what to do next, and when it must be woken. Layer: core, pure; time is an argument.

Theory of operation. The steps of a run are its stages, one at a time; then all checks that do not disturb each other,
side by side; then those that do, one at a time. An ask goes by its label and is sent once a run: a second step that
names it waits for the same answer. The rules of stage time:

- A stage is reached when each of its needs was met; an observation meets at most one need of the whole run, and needs
  are served first in, first out. On entering a stage the machine looks back over what it was given before.
- Its window opens when the stage before closed and is as long as its budget. Only what *happened* in time counts
  (`at_ns`), but the machine listens `SETTLE_NS` longer, for what is still under way.
- A stage missed is FAIL; the stages after it are INCONCLUSIVE, blocked. A stage whose own probe broke is INCONCLUSIVE.
- A check's asks are answered within its timeout, or it is INCONCLUSIVE.
- A resumed run (`Plan.since`) takes the stages before as reached. What it was given before the start was seen in the
  run that it goes on from: judges read it, but it meets no need.
- When all steps are closed the machine listens `SETTLE_NS` more and then judges everything anew, over all that
  happened by the last close, in the order in which it happened. Outcomes therefore depend on what happened and when,
  never on how late or in which order (between sources) it was delivered; and a replay of the tape is the same run.

A step `is_settled` when all that had happened by its close has arrived; until then its result is not shown. Judging a
step early is for live viewing: only the results of a machine that is `done` are final.

Not here: what is expected (stages/, checks/), the notes on a step and how steps are laid out (steps.py), what came of a
step and the words for it (judging.py), the loop (runner.py).
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.core import judging
from harness.core.entries import Check, Evidence, Seen, Stage
from harness.core.model import Action, Ask, Finding, Observation, Plan, StageResult
from harness.core.steps import (
    Progress,
    Running,
    Step,
    StepState,
    find_failed_answer,
    find_last_answer_ns,
    find_reason,
    get_check,
    lay_out_checks,
    lay_out_stages,
    list_open_labels,
    show,
)
from harness.core.timing import SETTLE_NS, Window, to_ns


class RunMachine:
    """One run of one plan. Feed it with `start`, then `on_observation` and `on_tick` until `done`."""

    def __init__(self, plan: Plan, stages: Sequence[Stage], checks: Sequence[Check]) -> None:
        self.plan = plan
        self._stages = lay_out_stages(plan, stages)
        self._checks = lay_out_checks(plan, self._stages, checks)
        calm = [s for s in self._checks if not get_check(s).disturbs]
        alone = [s for s in self._checks if get_check(s).disturbs]
        self._steps = [*self._stages, *calm, *alone]
        self._groups = [[s] for s in self._stages] + ([calm] if calm else []) + [[s] for s in alone]
        self._asked: set[str] = set()
        self._position = -1
        self._known = Evidence()
        self._log: list[Observation] = []
        self._used: set[int] = set()
        self._pending: list[Action] = []
        self._closed_ns = 0
        self.done = False

    # ------------------------------------------------------------ inputs

    def start(self, now_ns: int) -> tuple[Action, ...]:
        """Begin the first stage. Returns what to do now."""
        self._closed_ns = now_ns
        self._take_over(now_ns)
        self._enter_next()
        return self._advance(now_ns)

    def on_observation(self, observation: Observation, now_ns: int) -> tuple[Action, ...]:
        """Take one observation. What is over at `now_ns` is over, whether or not a tick said so before."""
        before = self._advance(now_ns)
        self._known.add(Seen(len(self._log), observation))
        self._log.append(observation)
        return before + self._advance(now_ns)

    def on_tick(self, now_ns: int) -> tuple[Action, ...]:
        """Be woken, at or after `deadline_ns`."""
        return self._advance(now_ns)

    # ------------------------------------------------------------ what can be read at any time

    @property
    def evidence(self) -> Sequence[Observation]:
        """All observations by their number."""
        return self._log

    @property
    def deadline_ns(self) -> int | None:
        """When the machine must be woken if nothing is seen before; None when it is done or was not started."""
        if self.done or self._position < 0:
            return None
        wakes = [s.closed_ns + SETTLE_NS for s in self._steps if s.closed_ns is not None and not s.settled]
        if self._current is None:
            wakes.append(self._closed_ns + SETTLE_NS)
        wakes += [s.window.heard_ns for s in self._open_steps if s.window is not None]
        return min(wakes)

    @property
    def stages_closed_ns(self) -> int:
        """When the bring-up was over: the first stage that was missed closed, or the last one that was reached."""
        return max((s.closed_ns for s in self._stages if s.closed_ns is not None), default=0)

    @property
    def running(self) -> Running | None:
        """The step under way (of several side by side the first), or None before the start and after the last."""
        step = next(iter(self._open_steps), None)
        return (
            None
            if step is None or step.window is None
            else Running(step.entry.name, step.window.opens_ns, step.budget_s)
        )

    @property
    def progress(self) -> tuple[Progress, ...]:
        """All stages, for a live view."""
        return tuple(show(s) for s in self._stages)

    @property
    def check_progress(self) -> tuple[Progress, ...]:
        """All checks, for a live view."""
        return tuple(show(s) for s in self._checks)

    def is_settled(self, name: str) -> bool:
        """Say whether a stage or check is closed and all that had happened by then has arrived."""
        return any(s.settled for s in self._steps if s.entry.name == name)

    def results(self) -> tuple[StageResult, ...]:
        """Return all stages' results; those not settled yet are INCONCLUSIVE."""
        return tuple(s.result or judging.result_unsettled(s.entry.name, s.budget_s) for s in self._stages)

    def findings(self) -> tuple[Finding, ...]:
        """Return the checks' findings, one or more a check; those not settled yet are INCONCLUSIVE."""
        return tuple(f for s in self._checks for f in (s.findings or (judging.finding_unsettled(get_check(s)),)))

    # ------------------------------------------------------------ the steps

    def _take_over(self, now_ns: int) -> None:
        """Close the stages that were reached in the run before, where this one is resumed."""
        if self.plan.since is None:
            return
        self._used.update(range(len(self._log)))
        names = [s.entry.name for s in self._stages]
        for step in self._stages[: names.index(self.plan.since)]:
            step.state, step.closed_ns, step.settled = "taken", now_ns, True
            judging.judge_step(self.plan, step, self._known, now_ns)

    @property
    def _current(self) -> list[Step] | None:
        return self._groups[self._position] if 0 <= self._position < len(self._groups) else None

    @property
    def _open_steps(self) -> list[Step]:
        return [step for step in self._current or () if step.closed_ns is None]

    def _advance(self, now_ns: int) -> tuple[Action, ...]:
        if not self.done and self._position >= 0:
            while (group := self._current) is not None and all([self._close_if_over(s, now_ns) for s in group]):
                self._enter_next()
            self._settle(now_ns)
        actions, self._pending = tuple(self._pending), []
        return actions

    def _enter_next(self) -> None:
        self._position += 1
        opens_ns = self._closed_ns
        for step in self._current or ():
            self._enter(step, opens_ns)

    def _enter(self, step: Step, opens_ns: int) -> None:
        if step.state == "taken":
            return
        missed = next((s for s in self._stages if s.state in ("missed", "broken")), None)
        step.window = Window(opens_ns, to_ns(step.budget_s))
        if isinstance(step.entry, Stage):
            if missed is not None:
                step.blocked_by = missed.entry.name
                self._close(step, "blocked", opens_ns)
                return
        elif find_reason(self.plan, step.entry) is not None:
            self._close(step, "set_aside", opens_ns)
            return
        elif not self._is_reached(step.entry.after):
            step.blocked_by = step.entry.after
            self._close(step, "blocked", opens_ns)
            return
        step.state = "running"

    def _is_reached(self, name: str) -> bool:
        return any(s.state in ("reached", "taken") for s in self._stages if s.entry.name == name)

    def _close(self, step: Step, state: StepState, at_ns: int) -> None:
        step.state, step.closed_ns = state, at_ns
        self._closed_ns = max(self._closed_ns, at_ns)

    def _close_if_over(self, step: Step, now_ns: int) -> bool:
        if step.closed_ns is None:
            self._act(step)
            if isinstance(step.entry, Stage):
                self._move_stage(step, step.entry, now_ns)
            else:
                self._move_check(step, step.entry, now_ns)
        return step.closed_ns is not None

    def _act(self, step: Step) -> None:
        """Do what is to be done by now and was not yet."""
        for action in step.entry.actions(self.plan, self._known):
            key = action.label if isinstance(action, Ask) else action.verb
            if key not in step.done_actions:
                step.done_actions.add(key)
                if isinstance(action, Ask):
                    step.labels.append(action.label)
                    if action.label in self._asked:
                        continue
                    self._asked.add(action.label)
                self._pending.append(action)

    def _move_stage(self, step: Step, stage: Stage, now_ns: int) -> None:
        assert step.window is not None
        if step.state == "running":
            self._match(step, stage, step.window)
            if len(step.met) == len(stage.needs(self.plan)):
                step.reached_ns = max((step.window.opens_ns, *(s.at_ns for s in step.met.values())))
                step.state = "reached"
                step.window = Window(
                    step.window.opens_ns, step.reached_ns + to_ns(stage.answers_within_s) - step.window.opens_ns
                )
        if step.state == "reached":
            assert step.reached_ns is not None
            if not list_open_labels(step, self._known) or not stage.answers_within_s:
                self._close(step, "reached", max(step.reached_ns, find_last_answer_ns(step, self._known)))
            elif step.window.is_over(now_ns):
                self._close(step, "reached", step.window.closes_ns)
        elif (failed := find_failed_answer(step, self._known)) is not None:
            self._close(step, "missed" if failed.is_silence else "broken", max(step.window.opens_ns, failed.seen.at_ns))
        elif step.window.is_over(now_ns):
            self._close(step, "missed", step.window.closes_ns)

    def _match(self, step: Step, stage: Stage, window: Window) -> None:
        needs = stage.needs(self.plan)
        for index in range(step.scanned, len(self._log)):
            observation = self._log[index]
            if index in self._used or not window.accepts(observation.at_ns):
                continue
            for place, need in enumerate(needs):
                if place not in step.met and need.matches(self.plan, observation):
                    step.met[place] = Seen(index, observation)
                    self._used.add(index)
                    break
        step.scanned = len(self._log)

    def _move_check(self, step: Step, check: Check, now_ns: int) -> None:
        assert step.window is not None
        awaited = check.awaits(self.plan, self._known) if check.awaits else None
        if not list_open_labels(step, self._known) and (awaited is not None or check.awaits is None):
            last_ns = max(step.window.opens_ns, find_last_answer_ns(step, self._known), awaited.at_ns if awaited else 0)
            self._close(step, "judged", min(last_ns, step.window.closes_ns))
        elif step.window.is_over(now_ns):
            self._close(step, "timed_out", step.window.closes_ns)

    # ------------------------------------------------------------ judging

    def _settle(self, now_ns: int) -> None:
        """Judge each step once all that had happened by its close has arrived; at the very end judge all anew."""
        for step in self._steps:
            if not step.settled and step.closed_ns is not None and now_ns >= step.closed_ns + SETTLE_NS:
                step.settled = True
                judging.judge_step(self.plan, step, self._known, step.closed_ns)
        if self._current is None and now_ns >= self._closed_ns + SETTLE_NS:
            self.done = True
            for step in self._steps:
                judging.judge_step(self.plan, step, self._known, self._closed_ns)
