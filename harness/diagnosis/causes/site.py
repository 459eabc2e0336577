"""Causes at the site: power, cables, what others plug in. Layer: diagnosis, data."""

from __future__ import annotations

from harness.core.entries import Seen
from harness.core.model import Plan
from harness.diagnosis.case import Case
from harness.diagnosis.rows import Cause, all_passed, holds, never, saw
from harness.diagnosis.signs import any_of, silent, then
from harness.stages._shared import find_segment_network, is_inside

SILENT_S = 20.0
"""Our choice: longer than a failover or a new configuration takes."""
MISSED_BEATS, LATE_S = 3, 2.0
"""Where heartbeats are rare: so many must be missing, and be later than their own way takes. Our choice."""


def _is_of_own_lan(plan: Plan, seen: Seen) -> bool:
    """Say whether an address lies in one of the branch's own segments."""
    return is_inside(seen.data.get("address"), [find_segment_network(s) for s in plan.branch.segments])


def _find_silence(case: Case) -> tuple[Seen, ...] | None:
    """Find where management heard nothing of the device for longer than it is used to."""
    for_s = max(SILENT_S, MISSED_BEATS * case.plan.branch.heartbeat_s + LATE_S)
    return silent("", "management", "heartbeat.received", for_s).find(case)


_PULLED = saw(
    "the cable of the WAN port was pulled",
    "router", "uplink.down", later=None, uplink="ethernet", reason="no carrier",
)  # fmt: skip
_OWN_LEASE = any_of(
    "the WAN port was given an address of the branch's own LAN",
    saw("taken", "router", "uplink.up", later=None, uplink="ethernet", accepts=_is_of_own_lan),
    saw("refused", "router", "uplink.refused", later=None, uplink="ethernet", accepts=_is_of_own_lan),
)

CAUSES = (
    Cause(
        name="rogue_dhcp",
        title="a box on a LAN port hands out addresses of its own",
        needs=(
            saw(
                "the device hears a DHCP server on a LAN port, and drops what it says",
                "router",
                "dhcp.server_refused",
                later=None,
                weight=3,
            ),
        ),
        tell_apart="The device names the port and the box's hardware address; its maker is in the first three octets.",
        at_bench="Nothing: the profile has no part in it.",
        at_site="Follow the cable from the port that is named; take the box out, or turn its DHCP server off.",
        sentence="Please unplug whatever was last plugged into the network sockets, and tell us what it was.",
    ),
    Cause(
        name="lan_cable_on_wan_port",
        title="the WAN port is patched into the branch's own LAN",
        needs=(
            then(
                "the cable of the WAN port is moved, and it gets an address of the branch's own LAN",
                _PULLED,
                _OWN_LEASE,
                weight=4,
            ),
            never("the provider leases no such address", "internet", "dhcp.leased", later=None, accepts=_is_of_own_lan),
        ),
        tell_apart="A provider whose network is one of the branch's own has leased that address itself.",
        at_bench="Nothing: the profile has no part in it.",
        at_site="Follow the cable from the WAN port: it belongs into the provider's box, not into a socket of the LAN.",
        sentence="Please see that the cable for the outside line ends in the provider's box, and nowhere else.",
    ),
    Cause(
        name="power_cut_in_service",
        title="the branch lost its power while in service",
        needs=(
            all_passed(),
            saw(
                "the device starts by power, once it was in service",
                "router",
                "boot.started",
                later=True,
                weight=2.5,
                cause="power",
            ),
        ),
        tell_apart="A crash, or an upgrade, starts the device by itself (cause reboot).",
        at_bench="Nothing: it came up by itself.",
        at_site="Plug, socket and breaker: is something else on the same circuit that trips it?",
        sentence="The power was off for a while; if it happens again, have a licensed electrician look at the circuit.",
    ),
    Cause(
        name="uplinks_down",
        title="every way out of the branch was dead for a while",
        needs=(
            all_passed(),
            saw("the tunnel goes down", "router", "tunnel.down", later=True),
            holds("management hears nothing of the device for a while", _find_silence),
            never("the device does not start anew", "router", "boot.started", later=True, weight=0.5),
            never("no new configuration is tried", "router", "config.rolled_back", later=True, weight=0.0),
        ),
        speaks_against=(saw("the modem had hung", "router", "modem.reset", later=True, weight=2),),
        tell_apart="With HQ alone dead management is heard; with a broken modem the device says that it has no bearer.",
        at_bench="Nothing: it came back by itself, or goes on trying.",
        at_site="Ask the providers for an outage; are both ways on one mast, or on one pole?",
        sentence="The line outside is down; leave everything switched on, it comes back by itself.",
    ),
)
