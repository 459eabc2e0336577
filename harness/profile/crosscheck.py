"""What only two values together can show: references, overlaps, things used twice. Layer: profile, pure.

Works on what could be understood: a section that does not hold is left out, so that a slip in one place does not hide
the mistakes in another, and does not make up any. Site by site checks are in sitecheck.py.
"""

from __future__ import annotations

import ipaddress
import json
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field
from functools import cache
from typing import Any, TypeVar

from pydantic import BaseModel, TypeAdapter, ValidationError

from harness.errors import Problem
from harness.profile.explain import nearest
from harness.profile.fields import RESERVED_REACHES, Network
from harness.profile.hardware import HARDWARE, Hardware
from harness.profile.marked import Marked, Path
from harness.profile.proposals import Protocol, check_proposal
from harness.profile.schema import Acceptance, Administration, Logging, Monitoring, Segment, Sim, Tunnel, Uplinks

M = TypeVar("M", bound=BaseModel)

RESERVED_NETWORKS = (
    ("198.18.0.0/15", "the bench's own links (RFC 2544)"),
    ("100.64.0.0/10", "the carrier's own addresses (RFC 6598)"),
    ("0.0.0.0/8", "this host on this network (RFC 1122)"),
    ("127.0.0.0/8", "loopback (RFC 1122)"),
    ("169.254.0.0/16", "link local (RFC 3927)"),
    ("224.0.0.0/3", "multicast and reserved (RFC 5771, RFC 1112)"),
)


@dataclass(slots=True)
class Report:
    """Collects problems of one file."""

    marked: Marked
    errors: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)

    def error(self, path: Path, message: str) -> None:
        self.errors.append(self.marked.problem(path, message))

    def warn(self, path: Path, message: str) -> None:
        self.warnings.append(self.marked.problem(path, message))


@dataclass(frozen=True, slots=True)
class Parts:
    """The sections of a profile that hold on their own. List items keep their place in the file."""

    hardware: Hardware | None
    segments: tuple[tuple[int, Segment], ...]
    segment_names: tuple[str, ...]
    """Names of all segments, also of those that do not hold otherwise."""
    sims: tuple[tuple[int, Sim], ...]
    sims_hold: bool
    """Whether every SIM holds, so that slots missing here are missing indeed."""
    uplinks: Uplinks | None
    tunnel: Tunnel | None
    remote_networks: tuple[ipaddress.IPv4Network, ...]
    logging: Logging | None
    monitoring: Monitoring | None
    administration: Administration | None
    acceptance: Acceptance | None


def gather_parts(data: Any) -> Parts:
    """Return what holds of a profile's plain data."""
    top = data if isinstance(data, dict) else {}
    segments, sims = (top.get(key) if isinstance(top.get(key), list) else [] for key in ("segments", "sims"))
    names = [s["name"] for s in segments if isinstance(s, dict) and isinstance(s.get("name"), str)]
    tunnel = top.get("tunnel") if isinstance(top.get("tunnel"), dict) else {}
    remote = tunnel.get("remote_subnets") if isinstance(tunnel.get("remote_subnets"), list) else []
    hardware = top.get("hardware")
    held_sims = tuple((i, sim) for i, raw in enumerate(sims) if (sim := try_build(Sim, raw)))
    return Parts(
        hardware=HARDWARE.get(hardware) if isinstance(hardware, str) else None,
        segments=tuple((i, segment) for i, raw in enumerate(segments) if (segment := try_build(Segment, raw))),
        segment_names=tuple(dict.fromkeys(names)),
        sims=held_sims,
        sims_hold=bool(sims) and len(held_sims) == len(sims),
        uplinks=try_build(Uplinks, top.get("uplinks")),
        tunnel=try_build(Tunnel, top.get("tunnel")),
        remote_networks=tuple(network for raw in remote if (network := try_network(raw))),
        logging=try_build(Logging, top.get("logging")),
        monitoring=try_build(Monitoring, top.get("monitoring")),
        administration=try_build(Administration, top.get("administration")),
        acceptance=try_build(Acceptance, top.get("acceptance")),
    )


def try_build(model: type[M], raw: Any) -> M | None:
    """Return the model of plain data, or None where it does not hold (explain.py says why)."""
    if raw is None:
        return None
    try:
        return model.model_validate_json(json.dumps(raw))
    except ValidationError:
        return None


@cache
def _network_adapter() -> TypeAdapter[str]:
    return TypeAdapter(Network)


def try_network(raw: Any) -> ipaddress.IPv4Network | None:
    """Return a network, or None where the text is none."""
    try:
        return ipaddress.IPv4Network(_network_adapter().validate_python(raw))
    except ValidationError:
        return None


def check_profile(report: Report, parts: Parts) -> None:
    """Check everything that the profile alone can show."""
    _check_hardware(report, parts)
    _check_ports(report, parts)
    _check_segments(report, parts)
    _check_sims(report, parts)
    _check_uplinks(report, parts)
    _check_tunnel(report, parts)
    _check_services(report, parts)
    _check_ping(report, parts)


def check_reserved(report: Report, path: Path, network: ipaddress.IPv4Network) -> None:
    """Complain of a network that overlaps one with a meaning of its own."""
    for reserved, meaning in RESERVED_NETWORKS:
        if network.overlaps(ipaddress.IPv4Network(reserved)):
            report.error(path, f"{network} overlaps {reserved}: {meaning}")


def find_twice(items: Iterable[tuple[Path, Hashable]]) -> list[tuple[Path, Hashable, Path]]:
    """Return (path, value, path of the first) for each value met before."""
    first: dict[Hashable, Path] = {}
    found = []
    for path, value in items:
        if value in first:
            found.append((path, value, first[value]))
        else:
            first[value] = path
    return found


def complain_twice(report: Report, items: Iterable[tuple[Path, Hashable]], what: str) -> None:
    """Complain of each value met before, with the line of the first."""
    for path, value, first in find_twice(items):
        report.error(path, f"{what} {value} stands twice, first in line {report.marked.find_mark(first).line}")


def check_proposals(report: Report, path: Path, proposals: tuple[str, ...], protocol: Protocol, *, judge: bool) -> None:
    """Check proposals. With `judge` false what MUST NOT be used is only a warning: it is someone else's record."""
    for index, proposal in enumerate(proposals):
        for remark in check_proposal(proposal, protocol):
            fatal = remark.fatal and (judge or "MUST NOT" not in remark.text)
            (report.error if fatal else report.warn)((*path, index), f"{proposal}: {remark.text}")


def _check_hardware(report: Report, parts: Parts) -> None:
    data = report.marked.data
    name = data.get("hardware") if isinstance(data, dict) else None
    if isinstance(name, str) and parts.hardware is None:
        report.error(("hardware",), f"unknown hardware class {name!r}{nearest(name, HARDWARE)}")


def _check_ports(report: Report, parts: Parts) -> None:
    used: list[tuple[Path, Hashable]] = []
    for index, segment in parts.segments:
        for place, port in enumerate(segment.ports):
            path: Path = ("segments", index, "ports", place)
            used.append((path, port))
            if parts.hardware and port > parts.hardware.made_of.lan_ports:
                made_of = parts.hardware.made_of
                report.error(path, f"{made_of.name} has LAN ports 1 to {made_of.lan_ports}, saw {port}")
    complain_twice(report, used, "port")


def _check_segments(report: Report, parts: Parts) -> None:
    complain_twice(report, [(("segments", i, "name"), s.name) for i, s in parts.segments], "segment name")
    complain_twice(report, [(("segments", i, "vlan"), s.vlan) for i, s in parts.segments], "VLAN id")
    for index, segment in parts.segments:
        dhcp: Path = ("segments", index, "dhcp")
        if segment.dhcp.first_host <= 1:
            report.error((*dhcp, "first_host"), "the range covers host 1, the router's own address; start at 2 or above")
        if segment.dhcp.last_host < segment.dhcp.first_host:
            report.error((*dhcp, "last_host"), f"expected {segment.dhcp.first_host} (first_host) or more")
        known = (*(n for n in parts.segment_names if n != segment.name), *RESERVED_REACHES)
        _check_names(report, ("segments", index, "reach"), segment.reach, known)


def _check_names(report: Report, path: Path, names: tuple[str, ...], known: tuple[str, ...]) -> None:
    complain_twice(report, [((*path, i), name) for i, name in enumerate(names)], "name")
    for index, name in enumerate(names):
        if name not in known:
            report.error((*path, index), f"nothing here is called {name!r}{nearest(name, known)}")


def _check_sims(report: Report, parts: Parts) -> None:
    complain_twice(report, [(("sims", i, "slot"), sim.slot) for i, sim in parts.sims], "slot")
    for index, sim in parts.sims:
        if parts.hardware and sim.slot > parts.hardware.made_of.sim_slots:
            made_of = parts.hardware.made_of
            report.error(("sims", index, "slot"), f"{made_of.name} has SIM slots 1 to {made_of.sim_slots}, saw {sim.slot}")
        names = [(("sims", index, "apns", i, "name"), apn.name.lower()) for i, apn in enumerate(sim.apns)]
        complain_twice(report, names, "APN")


def _check_uplinks(report: Report, parts: Parts) -> None:
    if not parts.uplinks:
        return
    order = parts.uplinks.order
    complain_twice(report, [(("uplinks", "order", i), kind) for i, kind in enumerate(order)], "uplink")
    if parts.hardware and not parts.hardware.made_of.ethernet_wan and "ethernet" in order:
        path: Path = ("uplinks", "order", order.index("ethernet"))
        report.error(path, f"{parts.hardware.made_of.name} has no Ethernet WAN; it has cellular")
    if "cellular" not in order:
        report.warn(("uplinks", "order"), "the SIMs are never used: cellular is not in the order")


def _check_tunnel(report: Report, parts: Parts) -> None:
    for index, network in enumerate(parts.remote_networks):
        check_reserved(report, ("tunnel", "remote_subnets", index), network)
        for other in parts.remote_networks[:index]:
            if network.overlaps(other):
                report.error(("tunnel", "remote_subnets", index), f"{network} overlaps {other} above it")
    tunnel = parts.tunnel
    if not tunnel:
        return
    check_proposals(report, ("tunnel", "ike_proposals"), tunnel.ike_proposals, "ike", judge=True)
    check_proposals(report, ("tunnel", "esp_proposals"), tunnel.esp_proposals, "esp", judge=True)
    if tunnel.local_id == tunnel.remote_id:
        report.error(("tunnel", "local_id"), "expected an identity of the branch's own, saw the gateway's")
    local: Path = ("tunnel", "local_segments")
    _check_names(report, local, tunnel.local_segments, parts.segment_names)
    for index, segment in parts.segments:
        if "hq" in segment.reach and segment.name not in tunnel.local_segments:
            where: Path = ("segments", index, "reach", segment.reach.index("hq"))
            report.error(where, f"{segment.name} may reach hq, but is not in tunnel.local_segments: nothing would carry it")
        if "hq" not in segment.reach and segment.name in tunnel.local_segments:
            where = (*local, tunnel.local_segments.index(segment.name))
            report.warn(where, f"{segment.name} is in the tunnel, but may not reach hq")


def _check_services(report: Report, parts: Parts) -> None:
    sources = (*parts.segment_names, "hq")
    if parts.monitoring:
        _check_names(report, ("monitoring", "reach_from"), parts.monitoring.reach_from, sources)
        users = [(("monitoring", "users", i, "name"), user.name) for i, user in enumerate(parts.monitoring.users)]
        complain_twice(report, users, "user")
    if parts.administration:
        _check_names(report, ("administration", "reach_from"), parts.administration.reach_from, sources)
    if parts.logging and parts.acceptance and parts.logging.server != parts.acceptance.ping.target:
        text = f"the bench's only log server is acceptance.ping.target, {parts.acceptance.ping.target}: no log is witnessed"
        report.warn(("logging", "server"), text)


def _check_ping(report: Report, parts: Parts) -> None:
    if not parts.acceptance or not parts.remote_networks:
        return
    path: Path = ("acceptance", "ping", "target")
    target = ipaddress.IPv4Address(parts.acceptance.ping.target)
    home = next((network for network in parts.remote_networks if target in network), None)
    if home is None:
        report.error(path, f"{target} is in none of tunnel.remote_subnets: no packet for it enters the tunnel")
    elif home.prefixlen < 31 and target in (home.network_address, home.broadcast_address):
        report.error(path, f"{target} is the network's or the broadcast address of {home}")
    elif target == home.network_address + 1:
        report.error(path, f"{target} is the gateway's own address in {home}; name a host behind it")
