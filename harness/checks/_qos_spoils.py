"""Weakenings of the uplink's classes that the check `qos` must notice. Layer: checks, pure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from emulators.common.controls import Qos
from harness.checks._qos_load import SHARE, find_flooder, list_ceilings, list_urgent
from harness.core.entries import Spoil
from harness.core.model import Plan

OTHER_MARKS = ("cs4", "af43", "cs1")

Change = Callable[[dict[str, Any]], Any]


def list_spoils(plan: Plan) -> tuple[Spoil, ...]:
    """Return them, the twin first."""
    qos = plan.branch.qos
    if qos is None:
        return ()
    halved = [
        _spoil(f"the guarantee of class {one.name} halved", f"qos.classes[{i}].guaranteed_bps",
               _set(i, "guaranteed_bps", one.guaranteed_bps // 2))
        for i, one in list_urgent(qos)
        if shows_halving(qos, one.guaranteed_bps)
    ]  # fmt: skip
    return (*halved, *_spoil_classes(qos), *_spoil_ceilings(qos), *_spoil_whole(plan, qos))


def shows_halving(qos: Qos, guaranteed_bps: int) -> bool:
    """Say whether half a guarantee can be told from a whole one: where much of the uplink is guaranteed to nobody, a
    class has as much by borrowing (evenly with best effort, which fills the rest)."""
    half = guaranteed_bps / 2
    slack = qos.uplink_bps - sum(one.guaranteed_bps for one in qos.classes)
    return half + (slack + half) / 2 < 0.9 * SHARE * guaranteed_bps


def _spoil_classes(qos: Qos) -> list[Spoil]:
    found = []
    for i, one in list_urgent(qos):
        place = f"qos.classes[{i}]"
        found.append(_spoil(f"class {one.name} dropped", place, lambda c, i=i: c["classes"].pop(i)))  # type: ignore[misc]
        others = [name for name in OTHER_MARKS if all(name not in each.dscp for each in qos.classes)]
        for nth, name in enumerate(one.dscp):
            marks = [*one.dscp[:nth], *others[:1], *one.dscp[nth + 1 :]]
            if others:
                title = f"class {one.name} goes by {others[0]}, not {name}"
                found.append(_spoil(title, f"{place}.dscp[{nth}]", _set(i, "dscp", marks)))
    return found


def _spoil_ceilings(qos: Qos) -> list[Spoil]:
    found = []
    for i, one in list_ceilings(qos):
        higher = min(one.ceiling_bps * 3 // 2, qos.uplink_bps)
        if higher > 1.1 * one.ceiling_bps:
            title, key = f"the ceiling of class {one.name} raised", f"qos.classes[{i}].ceiling_bps"
            found.append(_spoil(title, key, _set(i, "ceiling_bps", higher)))
    return found


def _spoil_whole(plan: Plan, qos: Qos) -> list[Spoil]:
    found = [
        _spoil("the uplink's rate doubled", "qos.uplink_bps", lambda c: c.update(uplink_bps=2 * qos.uplink_bps)),
        Spoil("no classes at all", "qos", lambda config: config.update(qos=None)),
        _spoil("nobody's marks believed", "qos.trusted", lambda c: c.update(trusted=[])),
    ]
    flooder = find_flooder(plan)
    if flooder is not None and flooder.segment.name not in qos.trusted:
        everyone = [*qos.trusted, flooder.segment.name]
        title = f"marks of segment {flooder.segment.name} believed"
        found.append(_spoil(title, "qos.trusted", lambda c: c.update(trusted=everyone)))
    return found


def _spoil(title: str, key: str, change: Change) -> Spoil:
    return Spoil(title, key, lambda config: change(config["qos"]))


def _set(place: int, key: str, value: Any) -> Change:
    return lambda qos: qos["classes"][place].update({key: value})
