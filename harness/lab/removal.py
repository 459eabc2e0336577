"""Removes what carries a label, as much as the engine allows at once, and says what is left. Layer: lab, I/O, threads.

Containers go first, then networks and volumes, which must not be in use. It looks again after each round: a call that a
killed process had under way may still have made something. Not here: whose things may go (sweep.py).
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from tenacity import Retrying, retry_if_result, stop_after_attempt, wait_fixed

from harness.errors import EngineError
from harness.lab.engine import Engine, Resource

Choose = Callable[[tuple[Resource, ...]], tuple[Resource, ...]]

ROUNDS = 6
PAUSE_S = 0.5
"""Between rounds, when something could not be removed: the engine frees a network's endpoints a moment later."""
WORKERS = 4
GHOST = "has active endpoints"
"""The engine's words (libnetwork, ActiveEndpointsError)."""


def remove_labelled(
    engine: Engine,
    label: str,
    chosen: Choose = lambda found: found,
    on_ghost: Callable[[str], None] = lambda what: None,
    attempts: int = ROUNDS,
) -> tuple[str, ...]:
    """Remove what carries the label and is `chosen`; never raises. Returns what is left, and why; empty: nothing.

    A ghost is told to `on_ghost` and not returned: a network without a container, of which the engine says that it has
    active endpoints. Engine 20.10 miscounts them once in a hundred labs or so; until it is restarted nothing removes
    such a network. It does no harm (no address, no member), and a later sweep tries again.
    """
    rounds = Retrying(
        stop=stop_after_attempt(attempts),
        wait=wait_fixed(PAUSE_S),
        retry=retry_if_result(bool),
        retry_error_callback=lambda state: state.outcome.result() if state.outcome else (),
    )
    left: tuple[str, ...] = rounds(_remove_round, engine, label, chosen)
    if left and all(GHOST in problem for problem in left) and not _has_containers(engine, label, chosen):
        for problem in left:
            on_ghost(problem)
        return ()
    return left


def _has_containers(engine: Engine, label: str, chosen: Choose) -> bool:
    try:
        return any(r.kind == "container" for r in chosen(engine.list_labelled(label)))
    except EngineError:
        return True  # cannot be told: then it is no ghost


def _remove_round(engine: Engine, label: str, chosen: Choose) -> tuple[str, ...]:
    """Remove what is there once, and look again. Returns what is left, and why."""
    try:
        found = chosen(engine.list_labelled(label))
    except EngineError as error:
        return (f"list: {error.seen}",)
    if not found:
        return ()
    return _remove(engine, found) or _describe(engine, label, chosen)


def _remove(engine: Engine, found: tuple[Resource, ...]) -> tuple[str, ...]:
    """Remove resources, containers first. Returns the problems."""
    problems: list[str] = []

    def remove(resource: Resource) -> None:
        try:
            engine.remove(resource)
        except EngineError as error:
            problems.append(f"{resource.kind} {resource.name}: {error.seen}")

    with ThreadPoolExecutor(WORKERS, thread_name_prefix="removal") as pool:
        list(pool.map(remove, (r for r in found if r.kind == "container")))
        list(pool.map(remove, (r for r in found if r.kind != "container")))
    return tuple(problems)


def _describe(engine: Engine, label: str, chosen: Choose) -> tuple[str, ...]:
    try:
        return tuple(f"{r.kind} {r.name}: still there" for r in chosen(engine.list_labelled(label)))
    except EngineError as error:
        return (f"list: {error.seen}",)
