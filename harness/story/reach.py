"""Who could open what to whom, of the findings of `matrix` and `clients_isolated`. Layer: story, pure.

A finding names its cell in its claim only. The claims of all cells that a plan can have are put in words again here,
and looked up: no claim is taken apart, so that a segment may be called whatever it likes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.checks import clients_isolated, matrix
from harness.checks._shared import HQ
from harness.checks._vantages import INTERNET_NODE, list_all_clients
from harness.core.model import Finding, Plan
from harness.story.model import Cell, Reach


def build_reach(plan: Plan, findings: Iterable[Finding]) -> Reach:
    """Return the cells that were judged. A matrix that was not tried at all has none."""
    judged = {(f.check, f.claim): f for f in findings}
    cells = tuple(
        Cell(source, target, found.expected, found.seen, found.outcome, found.evidence)
        for source, target, key in _list_claims(plan)
        if (found := judged.get(key)) is not None
    )
    places = [f"{s.name} ({client})" for client, s in list_all_clients(plan)]
    far = [f"hq ({HQ})", f"internet ({INTERNET_NODE})"]
    if not cells:
        return Reach((), (), ())
    targets = {c.target for c in cells}
    return Reach(tuple(places), tuple(t for t in (*places, *far) if t in targets), cells)


def _list_claims(plan: Plan) -> Iterator[tuple[str, str, tuple[str, str]]]:
    """Yield source, target, and (check, claim) of each cell that a plan can have."""
    clients = list_all_clients(plan)
    for client, segment in clients:
        source = f"{segment.name} ({client})"
        for other, theirs in clients:
            target = f"{theirs.name} ({other})"
            yield source, target, (matrix.NAME, f"{source} to {target}")
            word = "does not reach" if segment.isolated else "reaches"
            yield source, target, (clients_isolated.NAME, f"in {segment.name}, {client} {word} {other}")
        for place, node in (("hq", HQ), ("internet", INTERNET_NODE)):
            yield source, f"{place} ({node})", (matrix.NAME, f"{source} to {place} ({node})")
