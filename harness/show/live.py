"""A live run behind the page. Layer: show; it starts the bench's thread and follows its tape.

Before the start faults may be chosen: they go into the run as its trial. Once it runs, orders act on the bench now,
however far behind it the picture is.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from harness.core.faults import Applied, Fault
from harness.core.model import Plan
from harness.core.registry import load_faults
from harness.lab.ports import Clock
from harness.show.bench import LiveBench, Open, open_session
from harness.show.follow import Tape
from harness.show.orders import CUT_POWER, PULL_SIM, Bench, OrderError
from harness.show.reel import BlankTape, Reel
from harness.show.scene import FaultScene, Phase
from harness.show.showing import Act, ActError, Show, get_text, list_fault_scenes
from harness.show.staging import Frame, find_phase, tell_hint
from harness.trial.choose import find_reason

UNWATCHED_S = 60.0
"""After so long without an open page a branch that only stands is taken down: longer than a page takes to load anew."""


class LiveShow(Show):
    """A show of one plan's live run, and of others after it."""

    def __init__(
        self,
        plan: Plan,
        secrets: Mapping[str, str],
        out: Path,
        clock: Clock,
        *,
        speed: float = 1.0,
        open_session: Open = open_session,
    ) -> None:
        super().__init__({}, speed=speed, even=False)
        self._plan, self._secrets, self._out, self._clock, self._open_session = plan, secrets, out, clock, open_session
        self._chosen: dict[str, Applied] = {}
        self._bench: LiveBench | None = None
        self._hand = Bench(plan)
        self._watched_ns = 0
        """When a page was last open, or the branch did not stand yet."""
        self._get_ready()

    @property
    def is_on(self) -> bool:
        """Say whether a run is on that would be lost."""
        return self._bench is not None and self._bench.is_on

    def tick(self, now_ns: int) -> None:
        """See Show. Takes up the tape as soon as the bench has one."""
        bench = self._bench
        if bench is not None:
            if self._tape is None and bench.folder is not None:
                tape = Tape(bench.folder, self._plan, is_growing=True, read_faults=lambda: {"faults": bench.put_upon})
                self._put_on(tape, self._find_edge_ns)
                self._is_begun = True
            if self._tape is not None and bench.state in ("over", "broken"):
                self._tape.end()
            if self.watchers or bench.state != "standing":
                self._watched_ns = now_ns
            elif now_ns - self._watched_ns >= UNWATCHED_S * 1e9:
                bench.finish()
        super().tick(now_ns)

    def _find_edge_ns(self) -> int:
        """Return now, while the bench writes its tape; afterwards nothing is known beyond it."""
        is_writing = self._bench is not None and self._bench.state in ("building", "running", "standing")
        return self._clock.now_ns() if is_writing else 0

    def close(self) -> None:
        """Take the lab down, if one is up; end all threads."""
        if self._bench is not None:
            self._bench.stop()
            self._bench.join()
            self._bench = None
        super().close()

    @property
    def phase(self) -> Phase:
        if self._bench is None:
            return "waiting"
        if self._tape is not None and self._tape.error is not None:
            return "broken"
        has_picture = self.reel is not None and self.reel.player.count > 0
        if self._bench.state == "broken" and (not has_picture or (self.reel is not None and self.reel.is_over)):
            return "broken"
        return find_phase(self.reel) if has_picture and self.reel is not None else "building"

    @property
    def acts(self) -> tuple[str, ...]:
        """What may be done now: with the picture, and on the bench."""
        bench, phase = self._bench, self.phase
        if bench is None:
            return (*super().acts, "inject", "mend")
        of_picture = [act for act in super().acts if act != "again" or bench.state in ("over", "broken")]
        if bench.state in ("over", "broken"):
            return (*of_picture, "again") if phase == "broken" else tuple(of_picture)
        of_bench = ["finish"] if bench.state == "standing" else []
        if bench.state in ("running", "standing") and self._has_power_come():
            of_bench += ["inject", "mend", "give_power" if self._hand.is_dark else CUT_POWER]
            if self._find_reason(_find_fault(PULL_SIM)) is None or PULL_SIM in self._hand.active:
                of_bench.append("insert_sim" if PULL_SIM in self._hand.active else "pull_sim")
        return (*of_picture, *of_bench)

    def _has_power_come(self) -> bool:
        """Say whether the bench has given the router power: its console has spoken."""
        return self._tape is not None and self._tape.heard_router

    # ------------------------------------------------------------ the frame

    def _build_frame(self) -> Frame:
        return Frame("live", self._run, self._plan, self.phase, self._tell_hint(), self._show_faults(), self.acts)

    def _tell_hint(self) -> str:
        bench = self._bench
        if bench is None:
            return "faults that are chosen now are put upon the run" if self._chosen else ""
        if bench.error:
            return bench.error
        if bench.state == "building":
            return "networks, keys and stand-ins are being made"
        behind = tell_hint(self.reel, "live") if self.reel else ""
        if bench.state == "standing":
            return behind or "the branch stands in service; `finish` takes the lab down"
        return behind or ("the lab is being taken down" if bench.state == "closing" else "")

    def _show_faults(self) -> tuple[FaultScene, ...]:
        active = tuple(self._chosen) + self._hand.active
        return list_fault_scenes(self._find_reason, active)

    def _find_reason(self, fault: Fault) -> str | None:
        applied = Applied(fault, fault.usual())
        if self._bench is None:
            return find_reason(self._plan, applied)
        if fault.name in self._hand.active:
            return None
        return self._hand.find_reason(applied)

    # ------------------------------------------------------------ the acts

    def _list_acts(self) -> Mapping[str, Act]:
        return {
            **super()._list_acts(),
            "inject": self._inject,
            "mend": self._mend,
            "cut_power": lambda request: self._order(CUT_POWER, "cut_power"),
            "give_power": lambda request: self._order(CUT_POWER, "give_power"),
            "pull_sim": lambda request: self._inject({"name": PULL_SIM}),
            "insert_sim": lambda request: self._mend({"name": PULL_SIM}),
            "finish": lambda request: self._get_bench().finish(),
        }

    def _get_bench(self) -> LiveBench:
        if self._bench is None:
            raise ActError("no run is on")
        return self._bench

    def _get_ready(self) -> None:
        """Show the branch dark, before a run."""
        self._drop_tape()
        self.reel = Reel(BlankTape(self._plan), speed=self.speed, even=self.even, find_edge_ns=None)

    def _start(self) -> None:
        self._get_ready()
        chosen = tuple(self._chosen.values())
        self._hand = Bench(self._plan, chosen)
        self._bench = LiveBench(self._plan, self._secrets, self._out, chosen, self._open_session)
        self._bench.start()

    def _begin_again(self) -> None:
        """Get ready for another run: the one before is over, and its lab is down."""
        self._get_bench().join()
        self._bench, self._run, self._is_begun = None, "", False
        self._hand = Bench(self._plan)
        self._get_ready()

    def _inject(self, request: Mapping[str, Any]) -> None:
        fault = _find_fault(get_text(request, "name"))
        applied = Applied(fault, fault.usual())
        if self._bench is not None:
            try:
                self._bench.perform(fault.name, self._hand.inject(applied))
            except OrderError as error:
                raise ActError(str(error)) from error
            return
        if (reason := find_reason(self._plan, applied)) is not None:
            raise ActError(f"{fault.name}: {reason}")
        self._chosen[fault.name] = applied

    def _mend(self, request: Mapping[str, Any]) -> None:
        name = get_text(request, "name")
        if self._bench is None:
            if self._chosen.pop(name, None) is None:
                raise ActError("that fault was not chosen")
            return
        try:
            self._bench.perform(name, self._hand.mend(name))
        except OrderError as error:
            raise ActError(str(error)[:200]) from error

    def _order(self, name: str, what: str) -> None:
        try:
            actions = self._hand.cut_power() if what == CUT_POWER else self._hand.give_power()
        except OrderError as error:
            raise ActError(str(error)) from error
        self._get_bench().perform(name, actions)


def _find_fault(name: str) -> Fault:
    fault = next((f for f in load_faults() if f.name == name), None)
    if fault is None:
        raise ActError(f"no fault {name!r}"[:200])
    return fault
