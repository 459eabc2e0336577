"""One tape being shown: the player says what is due, the picture shows it, the judge's view goes with it. Layer: show;
pure but for the tape that it reads from (follow.py); time is an argument.

Going back means the picture anew from the beginning; the judge's views are kept, so it takes milliseconds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from harness.core.model import Plan, TapeEntry
from harness.core.timing import to_ns
from harness.show.conclusion import Conclusion
from harness.show.judged import Judge, Judged
from harness.show.messages import find_message
from harness.show.picture import Picture
from harness.show.player import Cue, Player


class ReadTape(Protocol):
    """What a reel is made of: see harness.show.follow.Tape."""

    @property
    def plan(self) -> Plan: ...

    @property
    def entries(self) -> Sequence[TapeEntry]: ...

    @property
    def judge(self) -> Judge: ...

    @property
    def conclusion(self) -> Conclusion | None: ...

    @property
    def is_over(self) -> bool: ...

    @property
    def zero_ns(self) -> int | None: ...

    @property
    def end_ns(self) -> int | None: ...


class BlankTape:
    """The tape of a run that was not begun."""

    def __init__(self, plan: Plan) -> None:
        self.plan, self.judge = plan, Judge(plan)
        self.entries: tuple[TapeEntry, ...] = ()
        self.conclusion: Conclusion | None = None
        self.is_over = False
        self.zero_ns: int | None = None
        self.end_ns: int | None = None


class Reel:
    """`find_edge_ns`: the instant up to which a growing tape is known to be empty beyond its last entry; None: a saved
    tape, which ends with its last entry."""

    def __init__(self, tape: ReadTape, *, speed: float, even: bool, find_edge_ns: Callable[[], int] | None) -> None:
        self.tape = tape
        self.player = Player(even=even, speed=speed)
        self.picture = Picture(tape.plan, 0)
        self.pause_at_stages = False
        self._find_edge_ns = find_edge_ns
        self._numbers: list[int] = []
        """Of each entry: how many observations come before it."""
        self._count = 0

    # ------------------------------------------------------------ what can be read

    @property
    def at_s(self) -> float:
        return self.picture.find_at_s(self.player.at_ns) if self.player.count else 0.0

    @property
    def live_s(self) -> float:
        return self.picture.find_at_s(self._end_ns) if self.player.count else 0.0

    @property
    def _end_ns(self) -> int:
        return max(self.player.edge_ns, self.tape.end_ns or 0)

    @property
    def view(self) -> Judged:
        """What the run machine knew at the instant that is shown."""
        return self.tape.judge.find(self.player.shown)

    @property
    def is_over(self) -> bool:
        """Say whether the end of a tape is shown that is over."""
        return self.tape.is_over and self.player.count == len(self.tape.entries) and self.player.is_at_end

    @property
    def conclusion(self) -> Conclusion | None:
        """What the run came to, once that is shown."""
        return self.tape.conclusion if self.is_over or self.view.done else None

    # ------------------------------------------------------------ orders

    def seek(self, at_s: float) -> None:
        """Show an instant, in seconds from power-on; one that is not there yet: the last that is."""
        zero_ns = self.picture.zero_ns
        at_ns = min(max(to_ns(at_s) + zero_ns, 0), self._end_ns)
        if at_ns < self.player.at_ns:
            self._rewind()
        self.player.chase(at_ns)

    def next_stage(self) -> None:
        """Show the instant at which the next stage comes to its end; where that is not known yet, go on until then."""
        step = self.tape.judge.find_next_step(self.player.shown)
        if step is not None:
            self.player.chase_entry(step)
        elif self.tape.is_over:
            self.player.chase(self.player.edge_ns)
        else:
            self.player.go_on()

    def again(self) -> None:
        """Show it from the beginning."""
        self._rewind()
        self.player.go_on()

    def _rewind(self) -> None:
        self.player.rewind()
        self.picture = Picture(self.tape.plan, self.picture.zero_ns)

    # ------------------------------------------------------------ time

    def tick(self, now_ns: int) -> None:
        """Show what is due."""
        self.load()
        if not self.player.count:
            return
        if self._find_edge_ns is not None and not self.tape.is_over:
            self.player.move_edge(self._find_edge_ns())
        self.player.advance(now_ns)
        waits = self.pause_at_stages or self._find_edge_ns is None
        while (place := self.player.take(self.tape.judge.count if waits else None)) is not None:
            self._show(place)
            if self.pause_at_stages and self._has_stage_ended():
                self.player.pause()

    def load(self) -> None:
        """Give the player what has arrived; nothing of it is shown yet."""
        entries = self.tape.entries
        is_first = not self.player.count and bool(entries)
        if is_first:
            self.player.begin(entries[0].now_ns)
        for place in range(self.player.count, len(entries)):
            seen = entries[place].observation
            shows = seen is not None and find_message(0, seen, 0.0) is not None
            self._numbers.append(self._count)
            self._count += seen is not None
            self.player.add(Cue(entries[place].now_ns, shows))
        self.picture.zero_ns = self.tape.zero_ns or 0
        if is_first and self._find_edge_ns is not None:
            self.player.chase(self._find_edge_ns())  # a live picture begins with what is there

    def _show(self, place: int) -> None:
        seen = self.tape.entries[place].observation
        if seen is not None:
            self.picture.feed(self._numbers[place], seen)

    def _has_stage_ended(self) -> bool:
        return self.tape.judge.find_next_step(self.player.shown - 1) == self.player.shown
