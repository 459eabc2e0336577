"""What each site, and the sites together, show against the profile. Layer: profile, pure.

Two sites may not share a card, a device, a host name, or a subnet that the tunnel carries: headquarters could not tell
them apart.
"""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass

from harness.errors import Problem
from harness.profile.controlcheck import check_controls, check_site_uplink
from harness.profile.crosscheck import (
    check_profile,
    check_proposals,
    check_reserved,
    remote_networks,
    segment_names,
)
from harness.profile.explain import nearest
from harness.profile.identifiers import has_check_digit
from harness.profile.marked import Marked, Path
from harness.profile.view import View

LONGEST_PREFIX = 29  # common practice, no source: the router and a few leases


@dataclass(frozen=True, slots=True)
class _Placed:
    """A segment's subnet at one site (with `site` empty: in the profile itself), and where that is written."""

    site: str
    segment: str
    network: ipaddress.IPv4Network
    view: View
    path: Path


def crosscheck(profile: Marked, sites: Marked | None) -> tuple[list[Problem], list[Problem]]:
    """Return (errors, warnings) of the profile's and the sites file's plain data."""
    main = View(profile)
    check_profile(main)
    check_controls(main)
    _check_subnets(main, main, "")
    if sites is None:
        return main.errors, main.warnings
    view = View(sites)
    _check_uniqueness(view)
    carried = {name for _, name in main.texts("tunnel", "local_segments")}
    tunnelled: list[_Placed] = []
    for site in view.keys("sites"):
        placed = _check_subnets(main, view, site)
        tunnelled += [p for p in placed if p.segment in carried]
        _check_cards(main, view, site)
        _check_records(main, view, site)
        check_site_uplink(main, view, site)
    _check_between(tunnelled)
    return main.errors + view.errors, main.warnings + view.warnings


def _check_uniqueness(view: View) -> None:
    sites = view.keys("sites")
    for key in ("hostname", "serial", "mac"):
        found = [(("sites", site, key), view.text("sites", site, key)) for site in sites]
        view.complain_twice([(path, value.lower() if value else None) for path, value in found], key)
    cards = [card for site in sites for card in view.items("sites", site, "sims")]
    for key in ("iccid", "imsi"):
        view.complain_twice([((*card, key), view.text(*card, key)) for card in cards], key.upper())


def _check_subnets(main: View, view: View, site: str) -> list[_Placed]:
    """Check one site's subnets, or with no site those of the profile itself. Returns where each segment's subnet is."""
    subnets = view.keys("sites", site, "subnets") if site else []
    placed: list[_Placed] = []
    for segment in main.items("segments"):
        name = main.text(*segment, "name")
        if name is None:
            continue
        path: Path
        if name in subnets:
            where, path = view, ("sites", site, "subnets", name)
        elif main.get((*segment, "subnet")) is not None:
            where, path = main, (*segment, "subnet")
        else:
            if site and view.get(("sites", site)) is not None:
                view.error(("sites", site, "subnets"), f"segment {name} has no subnet here nor in the profile")
            continue
        network = where.network(*path)
        if network is None:
            continue
        placed.append(_Placed(site, name, network, where, path))
        if where is view:
            _check_fit(where, path, network, main.number(*segment, "dhcp", "last_host"))
    known = segment_names(main)
    for name in subnets:
        if known and name not in known:
            view.error(("sites", site, "subnets", name), f"the profile has no segment {name!r}{nearest(name, known)}")
    _check_overlaps(main, view, placed)
    return placed


def _check_fit(view: View, path: Path, network: ipaddress.IPv4Network, last_host: int | None) -> None:
    check_reserved(view, path, network)
    hosts = network.num_addresses - 2
    if network.prefixlen > LONGEST_PREFIX:
        view.error(path, f"expected a prefix of /{LONGEST_PREFIX} or shorter, saw {network}")
    elif last_host is not None and last_host > hosts:
        view.error(path, f"{network} has hosts 1 to {hosts}, but the DHCP range ends at host {last_host}")


def _check_overlaps(main: View, view: View, placed: list[_Placed]) -> None:
    """Look for overlaps at one site. What the profile alone says was looked at before, with no site."""
    for index, here in enumerate(placed):
        for other in placed[:index]:
            if here.network.overlaps(other.network) and view in (here.view, other.view):
                worst, than = (here, other) if here.view is view else (other, here)
                worst.view.error(worst.path, f"{worst.network} overlaps {than.network} of segment {than.segment}")
        for _, remote in remote_networks(main):
            if here.network.overlaps(remote) and here.view is view:
                view.error(here.path, f"{here.network} overlaps {remote}, a subnet of headquarters")


def _check_cards(main: View, view: View, site: str) -> None:
    place: Path = ("sites", site, "sims")
    cards = view.items(*place)
    view.complain_twice([((*card, "slot"), view.number(*card, "slot")) for card in cards], "slot")
    used = [main.number(*sim, "slot") for sim in main.items("sims")]
    given = [view.number(*card, "slot") for card in cards]
    for card, slot in zip(cards, given, strict=True):
        iccid = view.text(*card, "iccid") or ""
        if re.fullmatch("[0-9]{20}", iccid) and not has_check_digit(iccid):
            text = "the last digit is not a check digit (ITU-T E.118, Luhn); cards of 20 digits may have none"
            view.warn((*card, "iccid"), text)
        if slot is not None and used and None not in used and slot not in used:
            view.error((*card, "slot"), f"the profile does not use slot {slot}; it uses {', '.join(map(str, used))}")
    if isinstance(view.get(place), list) and None not in given:
        for slot in used:
            if slot is not None and slot not in given:
                view.error(place, f"expected a card for slot {slot}, which the profile uses")


def _check_records(main: View, view: View, site: str) -> None:
    place = ("sites", site, "on_record", "headquarters")
    if view.get((*place, "psk")) is not None and main.text("tunnel", "auth", "method") == "certificate":
        view.error((*place, "psk"), "the profile's tunnel uses certificates: there is no pre-shared key")
    check_proposals(view, place, "ike", own=False)
    check_proposals(view, place, "esp", own=False)
    for path in view.items(*place, "branch_subnets"):
        if network := view.network(*path):
            check_reserved(view, path, network)


def _check_between(tunnelled: list[_Placed]) -> None:
    """Look for tunnelled subnets of different sites that overlap: sorted, so that a thousand sites stay quick."""
    widest: _Placed | None = None
    for here in sorted(tunnelled, key=lambda p: (p.network.network_address, p.network.prefixlen)):
        if widest and here.network.overlaps(widest.network) and here.site != widest.site:
            text = f"{here.network} overlaps {widest.network} of site {widest.site}: headquarters cannot route to both"
            here.view.error(here.path, text)
        if widest is None or here.network.broadcast_address > widest.network.broadcast_address:
            widest = here
