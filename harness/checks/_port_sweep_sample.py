"""Examples of the check `nothing_else_open`: sweeps as the vantages of the sample plan would tell them.

Layer: checks, pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from harness.checks._port_sweep import (
    NAME,
    TABLES,
    count_ports,
    label_listening,
    label_sweep,
    list_swept,
    list_udp,
    list_views,
)
from harness.checks._vantages import LABEL_WAN, WAN_ROUTES, hand_out
from harness.core.entries import Evidence, Seen
from harness.core.model import Observation, Plan
from harness.core.sample import answered, build_plan
from harness.stages._shared import label_lease

PLAN, UNMANAGED = build_plan(), build_plan(administration=None, monitoring=None)
_GIVEN = answered("carrier", LABEL_WAN, 1.5, hand_out(WAN_ROUTES))
_LEASES = {"client1": "10.20.10.100", "client2": "10.20.30.100", "client3": "10.20.30.101"}
_SOCKETS = (
    "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n"
    "   0: 00000000:0016 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 22\n"
    "   1: 0A14140A:0035 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 23\n"
    "   2: 0A14140A:8AE0 0A14140A:0050 01 00000000:00000000 00:00000000 00000000     0        0 24\n"
)


def example(
    opened: Sequence[tuple[str, str, int]] = (),
    answering: Sequence[tuple[str, str, str]] = (),
    *,
    deaf: str = "",
    cut: str = "",
    table: str = _SOCKETS,
    plan: Plan = PLAN,
) -> tuple[Observation, ...]:
    """Return a run that finds what it must, and besides `opened` (who, address, TCP port) and `answering` (by UDP).
    `deaf`: who hears of nothing; `cut`: who hears of nothing but its own."""
    seen = [_GIVEN, *(answered(c, label_lease(c), 1.0, {"address": a}) for c, a in _LEASES.items())]
    data = hand_out(table)
    seen += [answered("router", label_listening(NAME, path), 2.0, data) for path in TABLES]
    evidence = Evidence(Seen(i, s) for i, s in enumerate(seen))
    for view, segment in list_views(plan, evidence):
        found: dict[str, set[int]] = {a: set() for a in list_swept(plan, evidence, view, segment)}
        if view.control[1] and view.node != deaf:
            found[view.control[0]].add(int(view.control[1].partition("/")[2]))
        for node, address, port in opened:
            if node == view.node:
                found[address].add(port)
        told = {address: {"open": sorted(ports), "refused": []} for address, ports in found.items()}
        seen.append(
            answered(
                view.node,
                label_sweep("scan", view.node),
                4.0,
                {"answers": told, "asked": count_ports(evidence, NAME), "no_way": []},
            )
        )
        heard = {(view.echo, "icmp"), *((a, s) for node, a, s in answering if node == view.node)}
        heard |= {(view.control[0], "udp/53")} if segment is not None else set()
        listed = list_udp(plan, evidence, view)
        outcomes = ["open" if item in heard and view.node not in (deaf, cut) else "silent" for item in listed]
        seen.append(answered(view.node, label_sweep("udp", view.node), 4.0, {"outcomes": outcomes}))
    return tuple(seen)


def change_scan(node: str, **changes: Any) -> tuple[Observation, ...]:
    """Return a run in which the answer of one node's sweep differs."""
    return tuple(
        answered(node, label_sweep("scan", node), 4.0, {**s.data["result"], **changes})
        if s.data.get("label") == label_sweep("scan", node)
        else s
        for s in example()
    )
