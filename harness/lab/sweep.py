"""Removes what dead runs left: containers, networks (with their bridges) and volumes. Layer: lab, I/O.

Law: only what carries this bench's labels, and only when its owner is known to be dead. An owner that cannot be seen
from here (another host or pid namespace, no /proc) counts as dead after a day. A run that was kept on purpose stays.
With `all` those go too; a run whose owner lives never does. Not here: a living run's own removal (containers.py).
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable

from harness.errors import LabError
from harness.lab.engine import Engine, Resource
from harness.lab.owner import (
    CREATED_LABEL,
    KEPT_LABEL,
    OWNER_LABEL,
    RUN_LABEL,
    Life,
    Owner,
    describe_self,
    judge_life,
    parse_owner,
)
from harness.lab.removal import ROUNDS, remove_labelled

UNKNOWN_AGE_S = 24 * 3600
"""Age from which a run counts as dead whose owner cannot be seen. Common practice, no source: no run takes a day."""


def choose_dead(
    found: tuple[Resource, ...], judge: Callable[[Owner | None], Life], now_s: float, *, everything: bool
) -> tuple[Resource, ...]:
    """Return the resources that may go. Pure. A run is judged as a whole: by all of its resources together."""
    runs: dict[str, list[Resource]] = defaultdict(list)
    for resource in found:
        runs[resource.labels.get(RUN_LABEL, "")].append(resource)
    dead: list[Resource] = []
    for members in runs.values():
        if _may_go(members, judge, now_s, everything=everything):
            dead += members
    return tuple(dead)


def _may_go(members: list[Resource], judge: Callable[[Owner | None], Life], now_s: float, *, everything: bool) -> bool:
    lives = {judge(parse_owner(m.labels.get(OWNER_LABEL, ""))) for m in members}
    if "alive" in lives:
        return False
    if everything:
        return True
    if any(KEPT_LABEL in m.labels for m in members):
        return False
    return lives == {"dead"} or all(_age_s(m, now_s) > UNKNOWN_AGE_S for m in members)


def _age_s(resource: Resource, now_s: float) -> float:
    created = resource.labels.get(CREATED_LABEL, "")
    return now_s - int(created) if created.isdigit() else 0.0


def sweep(
    all: bool = False,  # noqa: A002 - the command line's own word
    on_ghost: Callable[[str], None] = lambda what: None,
    attempts: int = ROUNDS,
) -> tuple[str, ...]:
    """Remove what dead runs left; with `all`, also kept runs and those whose owner cannot be seen.

    Returns the names of what went (`on_ghost`: see removal.py). Raises: EngineError when there is no engine; LabError
    when something would not go.
    """
    observer, gone = describe_self(), dict[str, None]()

    def choose(found: tuple[Resource, ...]) -> tuple[Resource, ...]:
        chosen = choose_dead(found, lambda owner: judge_life(owner, observer), time.time(), everything=all)
        gone.update(dict.fromkeys(f"{r.kind} {r.name}" for r in chosen))
        return chosen

    engine = Engine()
    try:
        left = remove_labelled(engine, RUN_LABEL, choose, on_ghost, attempts)
    finally:
        engine.close()
    if left:
        raise LabError(
            expected="what dead runs left removed",
            seen="\n".join(left),
            where="sweep",
            hint="look whether something else holds on to it, then sweep again",
        )
    return tuple(gone)
