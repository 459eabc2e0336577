"""A live run behind the page: one session in a thread of its own, and the orders of a hand. Layer: show, threads.

Orders come through a queue and are carried out between two steps of the loop. Once the last check is judged the branch
is left standing in service, to be played with, until `finish` or the end of the program; its verdict stands by then.

Laws: the lab goes down on every way out; a run that anything was put upon says so in its folder, however it ended.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from emulators.common.record import to_json
from harness.app import Options, Session
from harness.core.faults import Applied
from harness.core.model import Action, Plan, TapeEntry
from harness.errors import LabError
from harness.runner import LIVE_NS, feed
from harness.trial.outcome import TrialOutcome, find_stopped, judge_trial

State = Literal["building", "running", "standing", "closing", "over", "broken"]
STANDING_S = 1800.0
"""How long a branch is left standing that nobody finishes. It protects the machine; our choice."""
Open = Callable[[Plan, Mapping[str, str], Options, Sequence[Applied]], Session]


def open_session(plan: Plan, secrets: Mapping[str, str], options: Options, applied: Sequence[Applied]) -> Session:
    """Return a session in a real lab."""
    return Session(plan, secrets, options, applied=applied)


class LiveBench:
    """Use: `start`, then `perform` as often as wished, `finish` or `stop`, `join`. `state` and what stands beside it
    are written by its thread, and read by anybody."""

    def __init__(
        self,
        plan: Plan,
        secrets: Mapping[str, str],
        out: Path,
        applied: Sequence[Applied] = (),
        open_session: Open = open_session,
    ) -> None:
        self.state: State = "building"
        self.folder: Path | None = None
        """The run's folder, once there is one."""
        self.error = ""
        """Why the bench broke, or could not carry out the last order; empty where it did not."""
        self.is_complete = False
        """Whether the run came to its end, and was judged."""
        self.put_upon: list[str] = [one.text for one in applied]
        """What was put upon the run before it was judged: chosen faults, and orders by name."""
        self._plan, self._secrets, self._options = plan, secrets, Options(out)
        self._applied, self._open = tuple(applied), open_session
        self._orders: queue.SimpleQueue[tuple[str, tuple[Action, ...]]] = queue.SimpleQueue()
        self._stop, self._finish = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="bench")

    def start(self) -> None:
        self._thread.start()

    def perform(self, name: str, actions: tuple[Action, ...]) -> None:
        """Have an order carried out as soon as the loop has finished its step."""
        self._orders.put((name, actions))

    def finish(self) -> None:
        """Take down the lab of a branch that stands in service."""
        self._finish.set()

    def stop(self) -> None:
        """Break the run off, wherever it is. Of a branch that stands in service this is `finish`."""
        self._stop.set()

    def join(self) -> None:
        """Wait until the lab is down."""
        self._thread.join()

    @property
    def is_on(self) -> bool:
        """Say whether the run is on that would be lost."""
        return not self.is_complete and self.state in ("building", "running")

    # ------------------------------------------------------------ in the thread

    def _run(self) -> None:
        try:
            with self._open(self._plan, self._secrets, self._options, self._applied) as session:
                try:
                    self._drive(session)
                    self.state = "closing"
                    if self.is_complete:
                        session.conclude()
                except Exception as error:  # scrubbed: a daemon's last words may hold a secret
                    self.error = session.scrub(str(error) or repr(error))
                    raise
                finally:
                    self._mark(session)
            self.state = "over"
        except Exception as error:  # whatever it is: this thread has nobody above it, the page tells of it
            self.error = self.error or str(error) or repr(error)
            self.state = "broken"

    def _drive(self, session: Session) -> None:
        self.folder = session.folder.path
        session.start()
        self.state = "running"
        while not self._stop.is_set() and not self.is_complete:
            session.run(lambda machine: self._stop.is_set() or not self._orders.empty())
            self._carry_out(session)
            self.is_complete = session.trial.done if session.trial is not None else session.machine.done
        if not self.is_complete:
            return
        self.state = "standing"
        until_ns = session.clock.now_ns() + round(STANDING_S * 1e9)
        while not self._stop.is_set() and not self._finish.is_set() and session.clock.now_ns() < until_ns:
            self._stand(session)
            self._carry_out(session)

    def _stand(self, session: Session) -> None:
        """Go on with the tape: the machine is done, and takes what comes as evidence only."""
        seen = session.lab.wait_observation(session.clock.now_ns() + LIVE_NS)
        if seen is not None:
            entry = TapeEntry("observation", session.clock.now_ns(), seen)
            session.folder.write(entry)
            feed(session.machine, entry)

    def _carry_out(self, session: Session) -> None:
        while not self._orders.empty():
            name, actions = self._orders.get()
            self.error = ""
            if not self.is_complete and name not in self.put_upon:
                self.put_upon.append(name)
            try:
                for action in actions:
                    session.lab.perform(action)
            except LabError as error:  # it came at a wrong moment; of a lab that broke the loop will hear by itself
                self.error = session.scrub(f"{name} was not carried out: {error.seen}")

    def _mark(self, session: Session) -> None:
        """Put on record what was put upon the run: such a run proves nothing of a profile."""
        if session.trial is not None and session.trial.done:
            outcome: dict[str, Any] = to_json(judge_trial(session.trial))
            if len(self.put_upon) > len(self._applied):  # a hand was in it, too: of that nothing was expected
                outcome |= {"faults": list(self.put_upon), "outcome": "INCONCLUSIVE"}
            session.folder.save_outcome(outcome)
        elif self.put_upon:
            session.folder.save_outcome(to_json(self._tell_hand(session)))

    def _tell_hand(self, session: Session) -> TrialOutcome:
        stopped = find_stopped(session.machine.results())
        return TrialOutcome(
            faults=tuple(self.put_upon),
            outcome="INCONCLUSIVE",
            expected="nothing: what a hand does at the bench has no expectation",
            seen=f"stops at {stopped.stage}" if stopped else "comes up",
            stopped=stopped.stage if stopped else None,
            serves=None,
            back_s=None,
            findings=(),
            expectation=None,
            causes=(),
        )
