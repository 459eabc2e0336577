"""What each site, and the sites together, show against the profile. Layer: profile, pure.

Two sites may not share a card, a device, a host name, or a subnet that the tunnel carries: headquarters could not tell
them apart.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Hashable
from typing import Any

from harness.errors import Problem
from harness.profile.crosscheck import (
    Parts,
    Report,
    check_profile,
    check_proposals,
    check_reserved,
    complain_twice,
    gather_parts,
    try_build,
    try_network,
)
from harness.profile.explain import nearest
from harness.profile.identifiers import has_check_digit
from harness.profile.marked import Marked, Path
from harness.profile.schema import Segment
from harness.profile.sites import Site

LONGEST_PREFIX = 29  # common practice, no source: the router and at least two leases, with room for a range of them

Placed = tuple[str, ipaddress.IPv4Network, Path, bool]
"""Segment, its subnet, where that is said, and whether in the sites file."""


def crosscheck(profile: Marked, sites: Marked | None) -> tuple[list[Problem], list[Problem]]:
    """Return (errors, warnings) of the profile's and the sites file's plain data."""
    parts = gather_parts(profile.data)
    main = Report(profile)
    if isinstance(profile.data, dict):
        check_profile(main, parts)
        _check_subnets(main, main, parts, "", {})
    if sites is None or not isinstance(sites.data, dict):
        return main.errors, main.warnings
    report = Report(sites)
    raw = sites.data.get("sites")
    built = _build_sites(raw if isinstance(raw, dict) else {})
    _check_uniqueness(report, built)
    tunnelled: list[Placed] = []
    for name, site in built:
        placed = _check_subnets(main, report, parts, name, site.subnets)
        tunnelled += [p for p in placed if parts.tunnel and p[0] in parts.tunnel.local_segments and p[3]]
        _check_cards(report, parts, name, site)
        _check_records(report, parts, name, site)
    _check_between(report, tunnelled)
    if len(built) > 1:
        _check_shared(main, parts, built)
    return main.errors + report.errors, main.warnings + report.warnings


def _build_sites(raw: dict[str, Any]) -> list[tuple[str, Site]]:
    return [(name, site) for name, value in raw.items() if (site := try_build(Site, value))]


def _check_uniqueness(report: Report, sites: list[tuple[str, Site]]) -> None:
    for key in ("hostname", "serial", "mac"):
        values: list[tuple[Path, Hashable]] = [(("sites", name, key), getattr(s, key).lower()) for name, s in sites]
        complain_twice(report, values, key)
    for key in ("iccid", "imsi"):
        cards: list[tuple[Path, Hashable]] = [
            (("sites", name, "sims", i, key), getattr(card, key)) for name, s in sites for i, card in enumerate(s.sims)
        ]
        complain_twice(report, cards, key.upper())


def _check_subnets(main: Report, report: Report, parts: Parts, site: str, subnets: dict[str, str]) -> list[Placed]:
    """Check one site's subnets, or with no site those of the profile itself. Returns where each segment's subnet is."""
    placed = []
    for index, segment in parts.segments:
        if segment.name in subnets:
            path: Path = ("sites", site, "subnets", segment.name)
            network, here = ipaddress.IPv4Network(subnets[segment.name]), True
        elif segment.subnet:
            path, network, here = ("segments", index, "subnet"), ipaddress.IPv4Network(segment.subnet), False
        else:
            if site:
                report.error(("sites", site, "subnets"), f"segment {segment.name} has no subnet here nor in the profile")
            continue
        placed.append((segment.name, network, path, here))
        if here or not site:
            _check_fit(report if here else main, path, segment, network)
    for name in subnets:
        if name not in parts.segment_names:
            hint = nearest(name, parts.segment_names)
            report.error(("sites", site, "subnets", name), f"the profile has no segment {name!r}{hint}")
    _check_overlaps(main, report, parts, placed, site)
    return placed


def _check_fit(report: Report, path: Path, segment: Segment, network: ipaddress.IPv4Network) -> None:
    check_reserved(report, path, network)
    if network.prefixlen > LONGEST_PREFIX:
        report.error(path, f"expected a prefix of /{LONGEST_PREFIX} or shorter, saw {network}")
        return
    hosts = network.num_addresses - 2
    if segment.dhcp.last_host > hosts:
        text = f"{network} has hosts 1 to {hosts}, but {segment.name}'s DHCP range ends at host {segment.dhcp.last_host}"
        report.error(path, text)


def _check_overlaps(main: Report, report: Report, parts: Parts, placed: list[Placed], site: str) -> None:
    for index, (_, network, path, here) in enumerate(placed):
        for name, other, other_path, other_here in placed[:index]:
            if network.overlaps(other) and (here or other_here or not site):
                where = path if here or not other_here else other_path
                target = report if here or other_here else main
                target.error(where, f"{network} overlaps {other} of segment {name}")
        for remote in parts.remote_networks:
            if network.overlaps(remote) and (here or not site):
                (report if here else main).error(path, f"{network} overlaps {remote}, a subnet of headquarters")


def _check_cards(report: Report, parts: Parts, name: str, site: Site) -> None:
    slots = [sim.slot for _, sim in parts.sims]
    place: Path = ("sites", name, "sims")
    complain_twice(report, [((*place, i, "slot"), card.slot) for i, card in enumerate(site.sims)], "slot")
    for index, card in enumerate(site.sims):
        if len(card.iccid) == 20 and not has_check_digit(card.iccid):
            text = "the last digit is not a check digit (ITU-T E.118, Luhn); cards of 20 digits may have none"
            report.warn((*place, index, "iccid"), text)
        if parts.sims_hold and card.slot not in slots:
            used = ", ".join(map(str, slots))
            report.error((*place, index, "slot"), f"the profile does not use slot {card.slot}; it uses {used}")
    if parts.sims_hold:
        for slot in sorted(set(slots) - {card.slot for card in site.sims}):
            report.error(place, f"expected a card for slot {slot}, which the profile uses")


def _check_records(report: Report, parts: Parts, name: str, site: Site) -> None:
    record, place = site.on_record.headquarters, ("sites", name, "on_record", "headquarters")
    if record.psk and parts.tunnel and parts.tunnel.auth.method != "psk":
        report.error((*place, "psk"), "the profile's tunnel uses certificates: there is no pre-shared key")
    check_proposals(report, (*place, "ike_proposals"), record.ike_proposals or (), "ike", judge=False)
    check_proposals(report, (*place, "esp_proposals"), record.esp_proposals or (), "esp", judge=False)
    for index, text in enumerate(record.branch_subnets or ()):
        if network := try_network(text):
            check_reserved(report, (*place, "branch_subnets", index), network)


def _check_shared(main: Report, parts: Parts, sites: list[tuple[str, Site]]) -> None:
    """Look for tunnelled segments whose one subnet in the profile serves several sites."""
    for index, segment in parts.segments:
        users = [name for name, site in sites if segment.name not in site.subnets]
        if segment.subnet and parts.tunnel and segment.name in parts.tunnel.local_segments and len(users) > 1:
            text = f"{segment.name} is in the tunnel, and {len(users)} sites share this subnet: headquarters could not"
            main.error(("segments", index, "subnet"), f"{text} route to them; give each site its own")


def _check_between(report: Report, tunnelled: list[Placed]) -> None:
    """Look for tunnelled subnets of different sites that overlap: sorted, so that a thousand sites stay quick."""
    reach: Placed | None = None
    for placed in sorted(tunnelled, key=lambda p: (p[1].network_address, p[1].prefixlen)):
        if reach and placed[1].overlaps(reach[1]) and placed[2][1] != reach[2][1]:
            text = f"{placed[1]} overlaps {reach[1]} of site {reach[2][1]}: headquarters could not route to both"
            report.error(placed[2], text)
        if reach is None or placed[1].broadcast_address > reach[1].broadcast_address:
            reach = placed
