"""When each entry of a tape is shown. Layer: show, pure; time is an argument.

Theory of operation. A tape is entries with their instants; it may still grow. The player stands between two of them:
the `shown` first ones are shown, and since the last of these it has spent some time (`_spent_ns`). An entry is due when
the time spent is the gap before it. So entries are shown in the tape's order whatever their instants say, and one that
arrives late is shown at once.

    true pace   a gap is as long as it was
    even pace   the presenter's: a gap longer than LONGEST_GAP is shortened to it, and before an entry that shows a
                message at least MESSAGE_GAP passes: 8 a second is about as fast as anybody can follow

After the last entry that has arrived the player goes on at the tape's own speed as far as the `edge`, which is now of a
live tape and the end of a saved one: how long that gap will be, nobody knows yet. Speed multiplies all of it. While it
`chases` an instant or an entry it takes no time at all.

Not here: what an entry shows (picture.py), whether a stage came to its end (judged.py).
"""

from __future__ import annotations

from dataclasses import dataclass

SLOWEST, FASTEST = 0.1, 50.0
LONGEST_GAP_NS = 2_000_000_000
MESSAGE_GAP_NS = 125_000_000


@dataclass(frozen=True, slots=True)
class Cue:
    """An entry as the player needs it. `at_ns`: when the bench had it; `shows`: it shows a message."""

    at_ns: int
    shows: bool


class Player:
    """`add` cues as they arrive; call `advance` with the time now, then `take` until it returns None."""

    def __init__(self, *, even: bool, speed: float = 1.0) -> None:
        self.even, self.speed = even, speed
        self.paused = False
        self.shown = 0
        """How many cues are shown."""
        self._cues: list[Cue] = []
        self._start_ns = 0
        self._spent_ns = 0.0
        self._reached_ns = 0
        """The latest instant that was shown."""
        self._edge_ns = 0
        self._edge_moves = False
        self._left_ns = 0.0
        self._now_ns: int | None = None
        self._chased_ns: int | None = None
        self._chased_count: int | None = None

    # ------------------------------------------------------------ the tape

    def begin(self, at_ns: int) -> None:
        """Say where the tape begins."""
        self._start_ns = self._reached_ns = self._edge_ns = at_ns

    def add(self, cue: Cue) -> None:
        """Append a cue."""
        self._cues.append(cue)
        self._edge_ns = max(self._edge_ns, cue.at_ns)

    def move_edge(self, at_ns: int) -> None:
        """Say that the tape is known up to an instant, even if nothing more is on it."""
        self._edge_moves = at_ns > self._edge_ns
        self._edge_ns = max(self._edge_ns, at_ns)

    @property
    def count(self) -> int:
        return len(self._cues)

    @property
    def edge_ns(self) -> int:
        return self._edge_ns

    @property
    def at_ns(self) -> int:
        """The instant of the tape that is shown. It never goes back, but by `rewind`."""
        return max(self._reached_ns, self._find_at_ns())

    @property
    def is_at_end(self) -> bool:
        """Say whether all that there is is shown."""
        return self.shown == len(self._cues) and self.at_ns >= self._edge_ns

    @property
    def rate(self) -> float:
        """By how much the instant moves in a unit of time, now."""
        if self.paused or self._is_chasing:
            return 0.0
        if self.is_at_end:
            return min(1.0, self.speed) if self._edge_moves else 0.0
        if self.shown >= len(self._cues):
            return self.speed
        gap_ns, need_ns = self._find_gaps()
        return self.speed * gap_ns / need_ns if need_ns > 0 else 0.0

    # ------------------------------------------------------------ orders

    def pause(self) -> None:
        """Stand still; what was left of this step is not shown."""
        self.paused, self._left_ns = True, 0.0
        self._chased_ns = self._chased_count = None

    def go_on(self) -> None:
        self.paused = False

    def set_speed(self, speed: float) -> None:
        """Raises: ValueError outside SLOWEST to FASTEST."""
        if not SLOWEST <= speed <= FASTEST:
            raise ValueError(f"expected a speed from {SLOWEST:g} to {FASTEST:g}, saw {speed:g}")
        self.speed = speed

    def rewind(self) -> None:
        """Go back to the beginning; whoever shows the entries forgets them."""
        self.shown, self._spent_ns, self._left_ns = 0, 0.0, 0.0
        self._reached_ns = self._start_ns
        self._chased_ns = self._chased_count = None

    def chase(self, at_ns: int) -> None:
        """Show all up to an instant at once, as it arrives. Of one that is past: nothing is taken back."""
        self._chased_ns, self._chased_count = at_ns, None

    def chase_entry(self, count: int) -> None:
        """Show so many entries at once."""
        self._chased_ns, self._chased_count = None, count

    # ------------------------------------------------------------ time

    def advance(self, now_ns: int) -> None:
        """Let the time since the last call pass."""
        before_ns, self._now_ns = self._now_ns, now_ns
        if before_ns is not None and not self.paused and not self._is_chasing:
            self._left_ns += (now_ns - before_ns) * self.speed

    def take(self, limit: int | None = None) -> int | None:
        """Return the place of the next entry that is due, and count it as shown; None where none is. `limit`: of how
        many entries all is known; those beyond are not due yet."""
        if self.shown < min(len(self._cues), len(self._cues) if limit is None else limit):
            if self._is_chasing:
                return self._take_chased()
            return self._take_due()
        if self.shown < len(self._cues):
            self._left_ns = 0.0  # its judge lags behind: the picture waits
        elif self._is_chasing:
            self._rest_chased()
        else:
            room_ns = max(0, self._edge_ns - self._last_ns - round(self._spent_ns))
            self._spend(min(self._left_ns, room_ns))
            self._left_ns = 0.0
        return None

    @property
    def _is_chasing(self) -> bool:
        return self._chased_ns is not None or self._chased_count is not None

    @property
    def _last_ns(self) -> int:
        """The instant of the last entry that is shown."""
        return self._cues[self.shown - 1].at_ns if self.shown else self._start_ns

    def _find_gaps(self) -> tuple[int, int]:
        """Return how long the gap before the next entry was, and how long it is shown."""
        cue = self._cues[self.shown]
        gap_ns = max(0, cue.at_ns - self._last_ns)
        if not self.even:
            return gap_ns, gap_ns
        return gap_ns, max(min(gap_ns, LONGEST_GAP_NS), MESSAGE_GAP_NS if cue.shows else 0)

    def _find_at_ns(self) -> int:
        if self.shown >= len(self._cues):
            return self._last_ns + round(self._spent_ns)
        gap_ns, need_ns = self._find_gaps()
        share = min(1.0, self._spent_ns / need_ns) if need_ns > 0 else 1.0
        return self._last_ns + round(gap_ns * share)

    def _spend(self, time_ns: float) -> None:
        self._spent_ns += time_ns
        self._reached_ns = max(self._reached_ns, self._find_at_ns())

    def _take_due(self) -> int | None:
        if self.paused:
            return None
        _, need_ns = self._find_gaps()
        if self._spent_ns + self._left_ns < need_ns:
            self._spend(self._left_ns)
            self._left_ns = 0.0
            return None
        self._left_ns += self._spent_ns - need_ns
        return self._show_next()

    def _take_chased(self) -> int | None:
        beyond = self._chased_count is not None and self.shown >= self._chased_count
        if beyond or (self._chased_ns is not None and self._cues[self.shown].at_ns > self._chased_ns):
            self._rest_chased()
            return None
        return self._show_next()

    def _rest_chased(self) -> None:
        """Stand at the instant that was chased, if all before it is shown; else go on waiting for it."""
        if self._chased_count is not None:
            if self.shown >= self._chased_count:
                self._chased_count = None
            return
        assert self._chased_ns is not None
        if self.shown == len(self._cues) and self._edge_ns < self._chased_ns:
            return
        gone_ns = max(0, self._chased_ns - self._last_ns)
        if self.shown < len(self._cues):
            gap_ns, need_ns = self._find_gaps()
            gone_ns = round(need_ns * min(1.0, gone_ns / gap_ns)) if gap_ns else 0
        self._spent_ns = gone_ns
        self._reached_ns, self._chased_ns = max(self._reached_ns, self._find_at_ns()), None

    def _show_next(self) -> int:
        self.shown += 1
        self._spent_ns = 0.0
        self._reached_ns = max(self._reached_ns, self._last_ns)
        return self.shown - 1
