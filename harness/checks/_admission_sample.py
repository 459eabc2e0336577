"""Examples of the proof of admission, for admission.py. Layer: checks, pure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from emulators.common.controls import Admission
from harness.checks._admission_judge import DOWN, NAME, UP
from harness.checks._shared import HQ
from harness.core.admission_cast import list_ports
from harness.core.entries import Example
from harness.core.model import Observation, Plan
from harness.core.sample import answered, build_plan, saw
from harness.core.sections import Radius, SecretRef

_IN: dict[str, Any] = {"arp": True, "echo": True, "tcp": "open", "peers": [], "beyond": False}
_OUT: dict[str, Any] = {"dhcp": None, "arp": False, "echo": False, "tcp": "silent", "peers": [], "beyond": False}
_GUEST = {"address": "10.20.30.120", "server": "10.20.30.1"}


def _plan(**changes: Any) -> Plan:
    """The sample plan with 802.1X in its first segment; `changes` are of that admission."""
    plan = build_plan()
    first, *others = plan.branch.segments
    admission = replace(Admission("dot1x", eap=("tls",)), **changes)
    radius = Radius("10.200.0.10", 1812, SecretRef("env:SKERRY_KEY"))
    branch = replace(plan.branch, segments=(replace(first, admission=admission), *others), radius=radius)
    return replace(plan, branch=branch)


def _served(host: int, eap: str | None = None, segment: int = 10) -> dict[str, Any]:
    return {**_IN, "eap": eap, "dhcp": {"address": f"10.20.{segment}.{host}", "server": f"10.20.{segment}.1"}}


_RIGHT: dict[str, dict[str, Any]] = {
    "own": _served(100),
    "wrong_tls": {**_OUT, "eap": "refused"},
    "right_peap": {**_OUT, "eap": "accepted"},
    "silent": {**_OUT, "eap": None},
    "halfway": {**_OUT, "eap": None},
}


def _run(away: dict[str, Any], back: dict[str, Any], **changes: dict[str, Any]) -> tuple[Observation, ...]:
    """A run of the plan: `changes` are of what its first client's devices got, in the first act."""
    first, *others = list_ports(_plan())
    macs = {d.name: d.mac for d in first.devices}
    served = {name: _served(150, segment=30) for name in ("own", "anybody")}
    return (
        answered("client1", "lease.client1", 1.0, {"address": "10.20.10.100"}),
        *(answered(p.client, f"lease.{p.client}", 1.0, {"address": "10.20.30.150"}) for p in others),
        *(answered(p.client, f"{NAME}.{p.client}.devices", 3.1, served) for p in others),
        saw(HQ, "radius.answered", 1.5, mac=macs["wrong_tls"], user="staff-1", eap="tls", outcome="reject"),
        saw(HQ, "radius.answered", 1.6, mac=macs["right_peap"], user="staff-1", eap="peap", outcome="accept"),
        answered("client1", f"{NAME}.client1.devices", 3.0, {**_RIGHT, **changes}),
        answered(HQ, DOWN, 3.4, {"running": False}),
        answered("client1", f"{NAME}.client1.away", 8.0, {"own": _served(100), "newcomer": away}),
        answered(HQ, UP, 9.0, {"running": True}),
        answered("client1", f"{NAME}.client1.back", 9.5, {"returner": back}),
    )


_AWAY, _BACK = {**_OUT, "eap": "undecided"}, _served(101, "accepted")
_USUAL = _run(_AWAY, _BACK)


def _example(title: str, outcome: Any, observations: tuple[Observation, ...], plan: Plan | None = None) -> Example:
    return Example(title, outcome, observations, plan or _plan())


EXAMPLES = (
    _example("right in, wrong and silent out", "PASS", _USUAL),
    _example("the silent device is served", "FAIL", _run(_AWAY, _BACK, silent=_served(103))),
    _example("one EAPOL-Start opens the port", "FAIL", _run(_AWAY, _BACK, halfway={**_OUT, "eap": None, "arp": True})),
    _example("the wrong certificate is served", "FAIL", _run(_AWAY, _BACK, wrong_tls=_served(103, "accepted"))),
    _example("a method that is not taken is served", "FAIL", _run(_AWAY, _BACK, right_peap=_served(103, "accepted"))),
    _example(
        "the wrong one gets ARP only", "FAIL", _run(_AWAY, _BACK, wrong_tls={**_OUT, "eap": "refused", "arp": True})
    ),
    _example(
        "nobody is in: silence proves nothing, and the right one is shut out", "FAIL", _run(_AWAY, _BACK, own=_OUT)
    ),
    _example(
        "the wrong one was never asked", "INCONCLUSIVE", tuple(s for s in _USUAL if s.data.get("outcome") != "reject")
    ),
    _example("a new device gets in while the server is away", "FAIL", _run(_served(102), _BACK)),
    _example(
        "a new device may get in while the server is away",
        "PASS",
        _run(_served(102), _BACK),
        _plan(unreachable="admit"),
    ),
    _example("a new device should get in while the server is away", "FAIL", _USUAL, _plan(unreachable="admit")),
    _example("no new device gets in when the server is back", "FAIL", _run(_AWAY, {**_OUT, "eap": "refused"})),
    _example(
        "who fails lands where it should",
        "PASS",
        _run(_AWAY, _BACK, wrong_tls={**_OUT, "dhcp": _GUEST}, right_peap={**_OUT, "dhcp": _GUEST}),
        _plan(refused="guest"),
    ),
    _example("who fails gets nothing, and should land", "FAIL", _USUAL, _plan(refused="guest")),
    _example("who fails lands, and should get nothing", "FAIL", _run(_AWAY, _BACK, wrong_tls={**_OUT, "dhcp": _GUEST})),
    _example(
        "who fails lands, but hears its own segment too",
        "FAIL",
        _run(_AWAY, _BACK, wrong_tls={**_OUT, "dhcp": _GUEST, "echo": True}, right_peap={**_OUT, "dhcp": _GUEST}),
        _plan(refused="guest"),
    ),
    _example(
        "the server answered while it was away",
        "INCONCLUSIVE",
        (
            *_USUAL,
            saw(HQ, "radius.answered", 5.0, mac="02:5b:ad:00:01:09", user="staff-1", eap="tls", outcome="accept"),
        ),
    ),
    _example(
        "the probe breaks",
        "INCONCLUSIVE",
        tuple(
            answered("client1", f"{NAME}.client1.devices", 3.0, None, "DaemonError: nft")
            if s.data.get("label") == f"{NAME}.client1.devices"
            else s
            for s in _USUAL
        ),
    ),
    _example("anybody may come in everywhere", "NOT_APPLICABLE", (), _plan(method="open", eap=())),
)
