"""What only two values of a profile together can show: references, overlaps, things used twice. Layer: profile, pure.

A slip in one place does not hide the mistakes in another: each check looks at what can be understood (view.py). What a
site shows against the profile is in sitecheck.py.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence

from harness.core.model import HardwareClass
from harness.profile.explain import nearest
from harness.profile.fields import RESERVED_REACHES
from harness.profile.hardware import HARDWARE
from harness.profile.marked import Path
from harness.profile.proposals import Protocol, check_proposal
from harness.profile.view import View

RESERVED_NETWORKS = (
    ("198.18.0.0/15", "the bench's own links (RFC 2544)"),
    ("100.64.0.0/10", "the carrier's own addresses (RFC 6598)"),
    ("0.0.0.0/8", "this host on this network (RFC 1122)"),
    ("127.0.0.0/8", "loopback (RFC 1122)"),
    ("169.254.0.0/16", "link local (RFC 3927)"),
    ("224.0.0.0/3", "multicast and reserved (RFC 5771, RFC 1112)"),
)


def check_profile(view: View) -> None:
    """Check everything that the profile alone can show."""
    made_of = _find_hardware(view)
    _check_ports(view, made_of)
    _check_segments(view)
    _check_sims(view, made_of)
    _check_uplinks(view, made_of)
    _check_remote(view)
    _check_tunnel(view)
    _check_services(view)
    _check_ping(view)


def segment_names(view: View) -> list[str]:
    """Return the names of the profile's segments, each once."""
    return list(dict.fromkeys(name for path in view.items("segments") if (name := view.text(*path, "name"))))


def remote_networks(view: View) -> list[tuple[Path, ipaddress.IPv4Network]]:
    """Return headquarters' subnets."""
    paths = view.items("tunnel", "remote_subnets")
    return [(path, network) for path in paths if (network := view.network(*path))]


def check_reserved(view: View, path: Path, network: ipaddress.IPv4Network) -> None:
    """Complain of a network that overlaps one with a meaning of its own."""
    for reserved, meaning in RESERVED_NETWORKS:
        if network.overlaps(ipaddress.IPv4Network(reserved)):
            view.error(path, f"{network} overlaps {reserved}: {meaning}")


def check_proposals(view: View, place: Path, protocol: Protocol, *, own: bool) -> None:
    """Check proposals. Of another's record (`own` false) what MUST NOT be used is only a warning."""
    for path, proposal in view.texts(*place, f"{protocol}_proposals"):
        for remark in check_proposal(proposal, protocol):
            fatal = remark.fatal and (own or "MUST NOT" not in remark.text)
            (view.error if fatal else view.warn)(path, f"{proposal}: {remark.text}")


def _find_hardware(view: View) -> HardwareClass | None:
    name = view.text("hardware")
    if name is None:
        return None
    if name not in HARDWARE:
        view.error(("hardware",), f"unknown hardware class {name!r}{nearest(name, HARDWARE)}")
        return None
    return HARDWARE[name].made_of


def _check_ports(view: View, made_of: HardwareClass | None) -> None:
    ports = [port for segment in view.items("segments") for port in view.items(*segment, "ports")]
    for path in ports:
        number = view.number(*path)
        if number is not None and made_of and number > made_of.lan_ports:
            view.error(path, f"{made_of.name} has LAN ports 1 to {made_of.lan_ports}, saw {number}")
    view.complain_twice([(path, view.number(*path)) for path in ports], "port")


def _check_segments(view: View) -> None:
    segments, names = view.items("segments"), segment_names(view)
    view.complain_twice([((*s, "name"), view.text(*s, "name")) for s in segments], "segment name")
    view.complain_twice([((*s, "vlan"), view.number(*s, "vlan")) for s in segments], "VLAN id")
    for segment in segments:
        first, last = (view.number(*segment, "dhcp", key) for key in ("first_host", "last_host"))
        if first == 1:
            path = (*segment, "dhcp", "first_host")
            view.error(path, "the range covers host 1, the router's own address; start at 2 or above")
        if first is not None and last is not None and last < first:
            view.error((*segment, "dhcp", "last_host"), f"expected {first} (first_host) or more, saw {last}")
        _check_reach(view, segment, [*names, *RESERVED_REACHES])


def reached_places(view: View, segment: Path) -> list[tuple[Path, str]]:
    """Return path and name of each place that a segment may reach, in either of a row's two forms."""
    found: list[tuple[Path, str]] = []
    for row in view.items(*segment, "reach"):
        for path in (row, (*row, "to")):
            if (name := view.text(*path)) is not None:
                found.append((path, name))
    return found


def _check_reach(view: View, segment: Path, known: Sequence[str]) -> None:
    own = view.text(*segment, "name")
    _check_known(view, reached_places(view, segment), known)
    for path, name in reached_places(view, segment):
        if name == own:
            text = "the matrix says nothing of a segment with itself; say `isolated` true or false"
            view.error(path, text)


def _check_names(view: View, place: Path, known: Sequence[str]) -> None:
    _check_known(view, view.texts(*place), known)


def _check_known(view: View, named: Sequence[tuple[Path, str]], known: Sequence[str]) -> None:
    view.complain_twice(named, "name")
    for path, name in named:
        if name not in known:
            view.error(path, f"nothing here is called {name!r}{nearest(name, known)}")


def _check_sims(view: View, made_of: HardwareClass | None) -> None:
    sims = view.items("sims")
    view.complain_twice([((*sim, "slot"), view.number(*sim, "slot")) for sim in sims], "slot")
    for sim in sims:
        slot = view.number(*sim, "slot")
        if slot is not None and made_of and slot > made_of.sim_slots:
            view.error((*sim, "slot"), f"{made_of.name} has SIM slots 1 to {made_of.sim_slots}, saw {slot}")
        apns = [((*apn, "name"), view.text(*apn, "name")) for apn in view.items(*sim, "apns")]
        view.complain_twice([(path, name.lower() if name else None) for path, name in apns], "APN")


def _check_uplinks(view: View, made_of: HardwareClass | None) -> None:
    order = view.texts("uplinks", "order")
    view.complain_twice(order, "uplink")
    for path, kind in order:
        if kind == "ethernet" and made_of and not made_of.ethernet_wan:
            view.error(path, f"{made_of.name} has no Ethernet WAN; it has cellular")
    if order and "cellular" not in [kind for _, kind in order]:
        view.warn(("uplinks", "order"), "the SIMs are never used: cellular is not in the order")


def _check_remote(view: View) -> None:
    networks = remote_networks(view)
    for index, (path, network) in enumerate(networks):
        check_reserved(view, path, network)
        for _, other in networks[:index]:
            if network.overlaps(other):
                view.error(path, f"{network} overlaps {other} above it")


def _check_tunnel(view: View) -> None:
    check_proposals(view, ("tunnel",), "ike", own=True)
    check_proposals(view, ("tunnel",), "esp", own=True)
    local_id = view.text("tunnel", "local_id")
    if local_id is not None and local_id == view.text("tunnel", "remote_id"):
        view.error(("tunnel", "local_id"), "expected an identity of the branch's own, saw the gateway's")
    if not isinstance(view.get(("tunnel", "local_segments")), list):
        return
    local = view.texts("tunnel", "local_segments")
    _check_names(view, ("tunnel", "local_segments"), segment_names(view))
    carried = {name: path for path, name in local}
    for segment in view.items("segments"):
        name = view.text(*segment, "name")
        to_hq = [path for path, reached in reached_places(view, segment) if reached == "hq"]
        if name and to_hq and name not in carried:
            view.error(to_hq[0], f"{name} may reach hq, but is not in tunnel.local_segments: nothing would carry it")
        if name in carried and not to_hq:
            view.warn(carried[name], f"{name} is in the tunnel, but may not reach hq")


def _check_services(view: View) -> None:
    sources = [*segment_names(view), "hq"]
    _check_names(view, ("monitoring", "reach_from"), sources)
    _check_names(view, ("administration", "reach_from"), sources)
    users = view.items("monitoring", "users")
    view.complain_twice([((*user, "name"), view.text(*user, "name")) for user in users], "user")
    server, target = view.text("logging", "server"), view.text("acceptance", "ping", "target")
    if server and target and server != target:
        text = f"the bench's log server is acceptance.ping.target, {target}: nothing would witness this log"
        view.warn(("logging", "server"), text)


def _check_ping(view: View) -> None:
    path: Path = ("acceptance", "ping", "target")
    target, networks = view.address(*path), remote_networks(view)
    if target is None or not networks or len(networks) != len(view.items("tunnel", "remote_subnets")):
        return
    home = next((network for _, network in networks if target in network), None)
    if home is None:
        view.error(path, f"{target} is in none of tunnel.remote_subnets: no packet for it enters the tunnel")
    elif home.prefixlen < 31 and target in (home.network_address, home.broadcast_address):
        view.error(path, f"{target} is the network's or the broadcast address of {home}")
    elif target == home.network_address + 1:
        view.error(path, f"{target} is the gateway's own address in {home}; name a host behind it")
