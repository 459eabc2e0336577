"""What of a changed plan the stand-ins of a lab that is up can be told, and what needs a new lab. Layer: lab, pure.

The seeds of both plans are compared, key by key. A change of what only a start, or staging, tells (the device's first
boot, addresses, keys) cannot be told: that is an error which names the keys. A change that bears on a stage before the
one to go on from would be proven by nothing: that is one, too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.core.paths import list_differences

Seeds = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Order:
    """A command that tells a stand-in what changed. `opens`: the event from which on its doings are new ones; None: its
    answer."""

    node: str
    verb: str
    args: Mapping[str, Any]
    opens: str | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """Settings of a node (keys, dotted) that one command tells. `stage`: the first stage that rests on them; None: they
    work at once, at any time."""

    node: str
    keys: tuple[str, ...]
    stage: str | None
    build: Callable[[Mapping[str, Any]], Order]

    def covers(self, node: str, path: str) -> bool:
        """Say whether a changed key is one of these."""
        return node == self.node and any(path == k or path.startswith((f"{k}.", f"{k}[")) for k in self.keys)


def _records(settings: Mapping[str, Any]) -> Order:
    args = {"inventory": settings["inventory"], "image_base64": settings["firmware"]["image_base64"]}
    return Order("management", "records", args)


def _serve(settings: Mapping[str, Any]) -> Order:
    return Order("management", "serve", {key: settings[key] for key in ("config", "alerts", "operators")})


PARTS = (
    Part("carrier", ("cell",), None, lambda s: Order("carrier", "cell", s["cell"])),
    Part("carrier", ("link",), None, lambda s: Order("carrier", "link", s["link"])),
    Part(
        "carrier",
        ("subscribers",),
        "wan_obtained",
        lambda s: Order("carrier", "subscribers", {"subscribers": s["subscribers"]}),
    ),
    Part("management", ("inventory",), "checked_in", _records),
    Part("management", ("firmware.image_base64",), "upgraded", _records),
    Part("management", ("config", "alerts", "operators"), "configured", _serve),
    Part(
        "hq-gateway",
        ("tunnel",),
        "tunnel_up",
        lambda s: Order("hq-gateway", "expect", {"tunnel": s["tunnel"]}, opens="gateway.opened"),
    ),
)
TUNNEL = PARTS[-1]


@dataclass(frozen=True, slots=True)
class Orders:
    """`to_tell`: in order. `untold`: changed keys that need a new lab. `early`: a changed key, and what rests on it."""

    to_tell: tuple[Order, ...]
    untold: tuple[str, ...]
    early: tuple[tuple[str, str], ...]
    changed: tuple[str, ...]
    """Every changed key, by node."""


def build_orders(before: Seeds, after: Seeds, stage: str, stages: Sequence[str]) -> Orders:
    """Return what is to be told so that a run can go on from a stage. `stages`: all, in order."""
    changed = [
        (node, path)
        for node in sorted(set(before) | set(after))
        for path, _, _ in list_differences(_settings(before, node), _settings(after, node))
    ]
    parts: dict[int, Part] = {}
    untold, early = [], []
    for node, path in changed:
        found = next(((i, p) for i, p in enumerate(PARTS) if p.covers(node, path)), None)
        if found is None:
            untold.append(f"{node} {path}")
            continue
        parts[found[0]] = found[1]
        if found[1].stage is not None and stages.index(found[1].stage) < stages.index(stage):
            early.append((f"{node} {path}", found[1].stage))
    if stage == TUNNEL.stage:
        parts[len(PARTS) - 1] = TUNNEL  # the tunnel that stands is ended, so that it has to come up
    orders = [p.build(_settings(after, p.node)) for _, p in sorted(parts.items())]
    once = tuple(o for i, o in enumerate(orders) if all(o.verb != other.verb for other in orders[:i]))
    return Orders(once, tuple(untold), tuple(early), tuple(f"{node} {path}" for node, path in changed))


def _settings(seeds: Seeds, node: str) -> Mapping[str, Any]:
    """A node's settings, and its links under a key of their own; nothing for a node that is not there."""
    seed = seeds.get(node)
    return {} if seed is None else {**seed["settings"], "(links)": seed["links"]}
