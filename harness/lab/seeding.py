"""The seeds on their way to the nodes. Layer: lab.

Law: a node does nothing before it has its seed, so it gets it when it is attached and the bridges of all hosts are set.
Not here: what is in a seed (seeds.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import as_completed
from typing import Any

from harness.errors import LabError
from harness.lab.assembly import Assembly
from harness.lab.conversation import Conversation
from harness.lab.seeds import render_seed

Seed = Mapping[str, Any]


def deliver_seeds(
    talk: Conversation, assembly: Assembly, seeds: Mapping[str, Seed], *, but: str, ready_s: float
) -> None:
    """Give each node that was begun its seed, as soon as it is there; not `but` (the router, which has no power yet).

    Raises: LabError.
    """
    for host in assembly.hosts.values():
        host.result()
    talk.wait_kind("node.ready", set(assembly.hosts), ready_s)
    names = {future: name for name, future in assembly.nodes.items()}
    for future in as_completed(names):
        future.result()
        if names[future] != but:
            send_seed(talk, seeds, names[future])


def send_seed(talk: Conversation, seeds: Mapping[str, Seed], node: str) -> None:
    """Give an attached node its seed; does not wait. Raises: LabError where there is none for it."""
    if node not in seeds:
        raise LabError(
            expected=f"a seed for {node}", seen=f"seeds for {', '.join(sorted(seeds))}", where=node,
            hint="a bug: the topology has a node that the plan has no seed for",
        )  # fmt: skip
    talk.send(node, render_seed(seeds[node]))
