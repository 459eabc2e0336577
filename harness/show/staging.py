"""The scene put together. Layer: show, pure."""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.model import Plan
from harness.show.judged import place_stages
from harness.show.messages import show_text
from harness.show.reel import Reel
from harness.show.scene import FaultScene, Lights, Mode, Phase, RunChoice, Scene

BEHIND_S = 1.0
"""From when on the page says how far the bench is ahead of the picture."""


@dataclass(frozen=True, slots=True)
class Frame:
    """What a scene needs besides the reel. `plan` None: no run is chosen yet."""

    mode: Mode
    run: str
    plan: Plan | None
    phase: Phase
    hint: str
    faults: tuple[FaultScene, ...] = ()
    acts: tuple[str, ...] = ()
    runs: tuple[RunChoice, ...] = ()


def find_phase(reel: Reel) -> Phase:
    """Return the phase of a reel that was begun."""
    if reel.is_over:
        return "over"
    return "paused" if reel.player.paused else "running"


def tell_hint(reel: Reel, mode: Mode) -> str:
    """Return in one sentence what a watcher must know of the picture now, or nothing."""
    behind_s = reel.live_s - reel.at_s
    if mode == "live" and behind_s >= BEHIND_S:
        return f"the bench is {behind_s:.1f} s ahead of this picture"
    if reel.is_over and not reel.view.done:
        return "the tape ends here: the run was broken off"
    return ""


def build_scene(frame: Frame, reel: Reel | None, *, speed: float, even: bool, pause_at_stages: bool) -> Scene:
    """Return the scene of a frame. `reel` None: no run is chosen yet."""
    branch = frame.plan.branch if frame.plan else None
    picture = reel.picture if reel else None
    conclusion = reel.conclusion if reel and frame.phase not in ("waiting", "building") else None
    return Scene(
        mode=frame.mode,
        run=show_text(frame.run),
        profile=show_text(branch.profile) if branch else "",
        site=show_text(branch.site) if branch else "",
        pace=frame.plan.pace if frame.plan else "",
        at_s=round(reel.at_s, 3) if reel else 0.0,
        live_s=round(reel.live_s, 3) if reel else 0.0,
        rate=round(reel.player.rate, 4) if reel and frame.phase == "running" else 0.0,
        phase=frame.phase,
        hint=show_text(frame.hint, most=2000),
        stages=place_stages(reel.view, picture.zero_ns) if reel and picture else (),
        checks=reel.view.checks if reel else (),
        nodes=picture.nodes if picture else (),
        links=picture.list_links(reel.player.at_ns) if reel and picture else (),
        lights=picture.lights if picture else Lights(),
        signal=picture.signal if picture else None,
        first_ping=picture.first_ping if picture else None,
        messages=picture.messages if picture else (),
        headline=_tell_headline(frame, reel),
        verdict=conclusion.verdict if conclusion else None,
        causes=conclusion.causes if conclusion else (),
        faults=frame.faults,
        acts=frame.acts,
        speed=speed,
        even=even,
        pause_at_stages=pause_at_stages,
        runs=frame.runs,
    )


def _tell_headline(frame: Frame, reel: Reel | None) -> str:
    if frame.plan is None or reel is None:
        return "Choose a recorded run"
    name = show_text(f"{frame.plan.branch.profile} / {frame.plan.branch.site}")
    fixed = {"waiting": f"{name}: ready to start", "building": "The lab is being built"}.get(frame.phase)
    if fixed is None and reel.conclusion is not None:
        fixed = reel.conclusion.verdict.text
    if fixed is None and frame.phase == "broken":
        fixed = "It broke: this run is not judged"
    return fixed or _tell_step(reel)


def _tell_step(reel: Reel) -> str:
    missed = next((s for s in reel.view.stages if s.state in ("missed", "broken")), None)
    if missed is not None:
        return show_text(f"{missed.title}: not reached")
    return show_text(reel.view.running) or "The last words are awaited"
