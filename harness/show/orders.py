"""Orders of a hand at the bench: what is done for each, and how it is told on the tape. Layer: show, pure.

An order is a fault's doing, or the plug itself. Every ask of an order bears a label of the bench's, so no stage, check
or diagnosis rests on its answer; the label also says what was ordered, so a tape tells of its orders by itself.

Laws: what is done for an order is undone once at most, and never before it was done. A router without power is asked
nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from harness.core.faults import BENCH, Applied, Doing, cut_power
from harness.core.model import Action, Ask, Observation, Plan, Plug, PowerCut
from harness.trial.choose import find_reason
from harness.trial.notes import PLUG_WITNESS, ROUTER

CUT_POWER = "cut_power"
PULL_SIM = "sim_missing"
"""The fault that is a card taken out."""


class OrderError(Exception):
    """An order that cannot be carried out now; its text says why, for whoever gave it."""


@dataclass(slots=True)
class Bench:
    """The orders given so far, by name, of those in force. `is_dark`: the router has no power."""

    plan: Plan
    chosen: tuple[Applied, ...] = ()
    """Faults that were put upon the run before its start: the trial begins and ends them, no hand does."""
    count: int = 0
    is_dark: bool = False
    given: list[str] = field(default_factory=list)
    """Every order that was ever carried out: what is put on record of the run."""
    _active: dict[str, tuple[Doing, ...]] = field(default_factory=dict)

    @property
    def active(self) -> tuple[str, ...]:
        return tuple(self._active)

    def find_reason(self, applied: Applied) -> str | None:
        """Return why a fault cannot be brought about now, or None."""
        if any(one.fault.name == applied.fault.name for one in self.chosen):
            return "put upon the run before its start: the bench ends it by itself"
        reason = find_reason(self.plan, applied)
        return reason or self._find_power_reason(applied.fault.doings(self.plan, applied.values))

    def _find_power_reason(self, doings: Sequence[Doing]) -> str | None:
        if self.is_dark and any(_needs_power(d) for d in doings):
            return "the router has no power"
        if _cuts(doings) and any(_cuts(one.fault.doings(self.plan, one.values)) for one in self.chosen):
            return "a fault that was put upon the run has the plug"
        return None

    def inject(self, applied: Applied) -> tuple[Action, ...]:
        """Return what brings a fault about. Raises: OrderError."""
        name = applied.fault.name
        if name in self._active:
            raise OrderError(f"{name} is under way already")
        if (reason := self.find_reason(applied)) is not None:
            raise OrderError(f"{name}: {reason}")
        return self._begin(name, applied.fault.doings(self.plan, applied.values))

    def cut_power(self) -> tuple[Action, ...]:
        """Return what takes the router's power. Raises: OrderError."""
        if (reason := self._find_power_reason((cut_power(),))) is not None:
            raise OrderError(reason)
        return self._begin(CUT_POWER, (cut_power(),))

    def give_power(self) -> tuple[Action, ...]:
        """Return what gives the power back, whichever order took it. Raises: OrderError."""
        taken = [name for name, doings in self._active.items() if _cuts(doings)]
        if not taken:
            raise OrderError("the router has power" if not self.is_dark else "nobody took its power by hand")
        return self.mend(taken[0])

    def mend(self, name: str) -> tuple[Action, ...]:
        """Return what ends an order. Raises: OrderError."""
        doings = self._active.get(name)
        if doings is None:
            raise OrderError(f"{name} was not brought about by hand, or is mended already")
        if not _cuts(doings) and (reason := self._find_power_reason(doings)) is not None:
            raise OrderError(f"{name}: {reason}")
        del self._active[name]
        if _cuts(doings):
            self.is_dark = False
        return self._label("off", name, [a for doing in reversed(doings) for a in doing.off])

    def _begin(self, name: str, doings: tuple[Doing, ...]) -> tuple[Action, ...]:
        self._active[name] = doings
        self.given.append(name)
        self.is_dark = self.is_dark or _cuts(doings)
        word = CUT_POWER if _cuts(doings) else name
        return self._label("on", word, [a for doing in doings for a in doing.on])

    def _label(self, word: str, name: str, actions: Sequence[Action]) -> tuple[Action, ...]:
        """Give each ask its label. What nothing answers is followed by a question, so that the tape has it."""
        self.count += 1
        labelled: list[Action] = []
        for number, action in enumerate(actions):
            ask = action if isinstance(action, Ask) else Ask(PLUG_WITNESS, "clock", {}, BENCH)
            if ask is not action:
                labelled.append(action)
            labelled.append(replace(ask, label=f"{BENCH}{word}.hand{self.count}.{name}.{number}"))
        return tuple(labelled)


def _cuts(doings: Sequence[Doing]) -> bool:
    return any(isinstance(action, PowerCut) for doing in doings for action in doing.on)


def _needs_power(doing: Doing) -> bool:
    asks = any(isinstance(a, Ask) and a.node == ROUTER for a in (*doing.on, *doing.off))
    return asks or _cuts((doing,)) or any(isinstance(a, Plug) for a in doing.on)


def read_order(seen: Observation) -> str | None:
    """Return the name of the order that an observation answers the beginning of, or None."""
    words = str(seen.data.get("label") or "").split(".")
    is_order = len(words) >= 4 and words[:2] == [BENCH.rstrip("."), "on"] and words[2].startswith("hand")
    return words[3] if is_order else None
