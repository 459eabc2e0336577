"""What the page shows and what it may do: the picture's own acts, and a recorded run behind it. Layer: show; it starts
the threads that read tapes, and is itself called from one place only (the server's loop).

`LiveShow` (live.py) is the same with a bench behind it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from emulators.common.record import from_json
from harness.core.entries import as_number
from harness.core.model import Plan
from harness.core.registry import load_faults
from harness.errors import InputError, Problem
from harness.run_reading import read_faults
from harness.show.follow import Tape
from harness.show.messages import show_text
from harness.show.player import FASTEST, SLOWEST
from harness.show.reel import Reel
from harness.show.scene import FaultScene, Phase, RunChoice, Scene
from harness.show.staging import Frame, build_scene, find_phase, tell_hint
from harness.story.build import list_faults


class ActError(Exception):
    """An act that is not known, not possible now, or has a wrong value. Its text is for whoever acted."""


Act = Callable[[Mapping[str, Any]], None]


class Show:
    """A player of recorded runs. `runs`: by the name under which the page opens them."""

    def __init__(self, runs: Mapping[str, Path], *, speed: float = 1.0, even: bool = True) -> None:
        self.speed, self.even, self.pause_at_stages = speed, even, False
        self.reel: Reel | None = None
        self.watchers = 0
        """How many pages are open."""
        self._is_begun = False
        self._runs = dict(runs)
        self._titles = {name: _find_title(name, path) for name, path in runs.items()}
        self._tape: Tape | None = None
        self._run = ""
        self._faults: tuple[FaultScene, ...] = ()

    # ------------------------------------------------------------ what the server calls

    def open_run(self, path: Path) -> None:
        """Put a run's folder on, at its beginning. Raises: InputError."""
        self._put_on(Tape(path, _read_plan(path), is_growing=False, read_faults=lambda: read_faults(path)))
        self._faults = _show_faults(read_faults(path))

    def tick(self, now_ns: int) -> None:
        """Show what is due."""
        if self.reel is not None and self._is_begun:
            self.reel.tick(now_ns)
        elif self.reel is not None:
            self.reel.load()

    def build_scene(self) -> Scene:
        """Return what is shown now."""
        return build_scene(
            self._build_frame(),
            self.reel,
            speed=self.speed,
            even=self.even,
            pause_at_stages=self.pause_at_stages,
        )

    def act(self, request: Mapping[str, Any]) -> None:
        """Do what the page asks for. Raises: ActError, InputError."""
        name = request.get("act")
        act = self._list_acts().get(name) if isinstance(name, str) else None
        if act is None:
            raise ActError(f"no act {name!r}"[:200])
        if name not in self.acts:
            raise ActError(f"{name} is not possible now")
        act(request)

    def close(self) -> None:
        """End all threads."""
        self._drop_tape()

    @property
    def phase(self) -> Phase:
        if self.reel is None or not self._is_begun:
            return "waiting"
        return "broken" if self._tape is not None and self._tape.error is not None else find_phase(self.reel)

    @property
    def acts(self) -> tuple[str, ...]:
        """What may be done now."""
        return (*_ACTS[self.phase if self.reel is not None else "broken"], *(("open",) if self._runs else ()))

    # ------------------------------------------------------------ the frame

    def _build_frame(self) -> Frame:
        error = self._tape.error if self._tape is not None else None
        hint = str(error) if error is not None else (tell_hint(self.reel, "replay") if self.reel else "")
        runs = tuple(RunChoice(n, self._titles[n], p.name == self._run) for n, p in self._runs.items())
        plan = self.reel.tape.plan if self.reel else None
        return Frame("replay", self._run, plan, self.phase, hint, self._faults, self.acts, runs)

    def _put_on(self, tape: Tape, find_edge_ns: Callable[[], int] | None = None) -> None:
        """Have a tape read, in place of any other, and shown from its beginning once it is started."""
        self._drop_tape()
        tape.start()
        self._tape, self._run = tape, tape.path.name
        self.reel = Reel(tape, speed=self.speed, even=self.even, find_edge_ns=find_edge_ns)
        self.reel.pause_at_stages = self.pause_at_stages
        self._is_begun = False

    def _drop_tape(self) -> None:
        if self._tape is not None:
            self._tape.close()
            self._tape = None

    # ------------------------------------------------------------ the acts

    def _list_acts(self) -> Mapping[str, Act]:
        return {
            "start": lambda request: self._start(),
            "again": lambda request: self._begin_again(),
            "open": self._open,
            "speed": self._set_speed,
            "even": self._set_even,
            "pause_at_stages": self._set_pause_at_stages,
            "pause": lambda request: self._get_reel().player.pause(),
            "go_on": lambda request: self._get_reel().player.go_on(),
            "next_stage": lambda request: self._get_reel().next_stage(),
            "seek": lambda request: self._get_reel().seek(get_number(request, "at_s", 0.0, 1e6)),
        }

    def _get_reel(self) -> Reel:
        if self.reel is None:
            raise ActError("no run is open")
        return self.reel

    def _start(self) -> None:
        self._get_reel()
        self._is_begun = True

    def _begin_again(self) -> None:
        self._get_reel().again()

    def _open(self, request: Mapping[str, Any]) -> None:
        path = self._runs.get(get_text(request, "run"))
        if path is None:
            raise ActError(f"no such run; there are {', '.join(self._runs)}")
        self.open_run(path)

    def _set_speed(self, request: Mapping[str, Any]) -> None:
        self.speed = get_number(request, "speed", SLOWEST, FASTEST)
        if self.reel is not None:
            self.reel.player.set_speed(self.speed)

    def _set_even(self, request: Mapping[str, Any]) -> None:
        self.even = get_switch(request)
        if self.reel is not None:
            self.reel.player.even = self.even

    def _set_pause_at_stages(self, request: Mapping[str, Any]) -> None:
        self.pause_at_stages = get_switch(request)
        if self.reel is not None:
            self.reel.pause_at_stages = self.pause_at_stages


_PICTURE = ("speed", "even", "pause_at_stages")
_ACTS: Mapping[Phase, tuple[str, ...]] = {
    "waiting": ("start", *_PICTURE),
    "building": _PICTURE,
    "running": ("pause", "seek", "next_stage", "again", *_PICTURE),
    "paused": ("go_on", "seek", "next_stage", "again", *_PICTURE),
    "over": ("again", "seek", *_PICTURE),
    "broken": _PICTURE,
}


# ---------------------------------------------------------------- what a request may hold


def get_number(request: Mapping[str, Any], key: str, least: float, most: float) -> float:
    """Raises: ActError where the value is no number between two others, both included."""
    value = request.get(key)
    number = as_number(value)
    if number is None or not least <= number <= most:  # NaN is in no range
        raise ActError(f"expected {key} as a number from {least:g} to {most:g}, saw {value!r}"[:200])
    return float(number)


def get_text(request: Mapping[str, Any], key: str) -> str:
    """Raises: ActError where the value is no text."""
    value = request.get(key)
    if not isinstance(value, str):
        raise ActError(f"expected {key} as text, saw {value!r}"[:200])
    return value


def get_switch(request: Mapping[str, Any]) -> bool:
    """Raises: ActError where `on` is neither true nor false."""
    value = request.get("on")
    if not isinstance(value, bool):
        raise ActError(f"expected on as true or false, saw {value!r}"[:200])
    return value


# ---------------------------------------------------------------- reading a folder


def _read_plan(path: Path) -> Plan:
    text = "expected a run's folder, with plan.json and tape.jsonl"
    try:
        plan = from_json(Plan, json.loads((path / "plan.json").read_bytes()))
        if (path / "tape.jsonl").is_file():
            return plan
    except (OSError, ValueError, RecursionError) as error:  # a RecordError is a ValueError: of another version, too
        text = f"{text}: {error}"
    raise InputError((Problem(str(path), 0, 0, "RUN", text),))


def _show_faults(outcome: Mapping[str, Any]) -> tuple[FaultScene, ...]:
    why_not = "a recorded run: it was put upon the bench then"
    return tuple(
        FaultScene(f["name"], f["title"], f["family"], f["cause"], True, why_not) for f in list_faults(outcome)
    )


def list_fault_scenes(find_reason: Callable[[Any], str | None], active: tuple[str, ...]) -> tuple[FaultScene, ...]:
    """Return all faults for a live page. `find_reason`: of a fault, why it cannot be now, or None."""
    return tuple(
        FaultScene(f.name, f.title, f.family, f.cause, f.name in active, find_reason(f) or "") for f in load_faults()
    )


def _find_title(name: str, path: Path) -> str:
    """Return how a choice of runs names one: by its branch, where the folder says which that is."""
    try:
        branch = _read_plan(path).branch
    except InputError:
        return name
    return show_text(f"{name}: {branch.profile} / {branch.site}")
