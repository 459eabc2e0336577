"""The packet filter: what may enter, cross and leave the device. nftables, in a table of its own.

Laws: nothing enters or crosses unless the configuration opens it; packets for headquarters leave through the tunnel or
not at all, and no address of the branch leaves a WAN untranslated, even while the tunnel, the uplink or a segment
changes under established connections (the last chain sees every packet after translation): without its bridge, answers
to a segment would be routed out again where they came from. What comes in with a source that cannot be there is dropped
before anything else looks at it (RFC 2827, RFC 3704 section 2.1): on a segment's bridge all but the segment's own
clients, on a WAN the branch's and headquarters' networks and what is nobody's source (RFC 6890). The whole table is
replaced in one transaction of the kernel (nft(8), "Atomic rule set replacement").

A configuration that stops leaves the door shut: nothing crosses, and what the kernel still sends for connections of the
branch's that lost their daemons, tunnel or bridge (the last segments of a log's TCP) goes nowhere.

Other parts have tables of their own, and never change this one. A drop in any table is final and an accept is not, so:
further drops hook in anywhere, ``forward`` or ``input`` before ``filter``; a redirection hooks into ``prerouting`` at
``dstnat`` and must lead to a port that is open below (the segment's own address, port 53); whatever shall be accepted
must stand here.

The `radio` link is the modem's aerial, on the bench in the same network namespace: it is no interface of the device's
own, so the filter lets the modem's frames pass and nothing else.
"""

from __future__ import annotations

from ipaddress import IPv4Interface
from pathlib import Path

from emulators.common.controls import ANY
from emulators.common.device_config import DeviceConfig, Segment
from emulators.common.esp_sizes import largest_segment
from emulators.common.supervise import run, write_private
from emulators.common.swanctl import TUNNEL_INTERFACE

from ..base import RADIO_LINK, Files, Ground, Part, Running, Situation, address_of, bridge_of, network_of

SCRIPT, TABLE, SHUT = "/run/etc/firewall.nft", "inet branch", "inet shut"
SSH_PORT, SNMP_PORT = 22, 161  # IANA registry
RADIO_PORTS = "{ 2152, 49200 }"  # GTP-U (3GPP TS 29.281 clause 4.4.2.3) and the bench's radio signalling
ICMP = "icmp type { echo-request, destination-unreachable, time-exceeded, parameter-problem }"
TUNNEL = f'"{TUNNEL_INTERFACE}"'
EVERYTHING = "meta l4proto { icmp, tcp, udp }"
NO_SOURCE = "{ 127.0.0.0/8, 224.0.0.0/3 }"
"""Never a source (RFC 6890 tables 3, 15 and 16; RFC 5771 for multicast): from 224 on multicast, reserved, broadcast."""


def render(config: DeviceConfig, situation: Situation) -> Files:
    """Return the script for ``nft -f``."""
    lines = [
        *_forget(TABLE, SHUT),
        f"table {TABLE} {{",
        *_render_sets(config, situation),
        *_chain("sources", "filter hook prerouting priority raw; policy accept", _render_sources(config, situation)),
        *_chain("input", "filter hook input priority filter; policy drop", _render_input(config, situation)),
        *_chain("crossing", "filter hook forward priority filter; policy drop", _render_crossing(config, situation)),
        *_chain("sizes", "filter hook forward priority mangle; policy accept", _render_sizes(situation)),
        *_chain("own_sizes", "filter hook output priority mangle; policy accept", _render_sizes(situation)[:1]),
        *_chain("translation", "nat hook postrouting priority srcnat; policy accept", _render_nat(situation)),
        *_chain("leaving", "filter hook postrouting priority 200; policy accept", _render_leaving(config)),
        "}",
    ]
    return {SCRIPT: "\n".join(lines) + "\n"}


def render_shut(config: DeviceConfig) -> str:
    """Return the script that puts a shut door in the filter's place."""
    branch = {network_of(segment) for segment in config.segments} | set(config.tunnel.local_subnets)
    leaving = [
        'oifname "lo" accept',
        "ip daddr @headquarters counter drop",
        "ip daddr @branch counter drop",
        "ip saddr @branch counter drop",
    ]
    lines = [
        *_forget(TABLE, SHUT),
        f"table {SHUT} {{",
        *_set("branch", "ipv4_addr; flags interval; auto-merge", tuple(sorted(branch))),
        *_set("headquarters", "ipv4_addr; flags interval; auto-merge", config.tunnel.remote_subnets),
        *_chain("crossing", "filter hook forward priority filter; policy drop", []),
        *_chain("leaving", "filter hook postrouting priority 200; policy accept", leaving),
        "}",
    ]
    return "\n".join(lines) + "\n"


def _forget(*tables: str) -> list[str]:
    """Take tables away whether or not they are there: made first, so that none is missed."""
    return [f"{word} {table}" for table in tables for word in ("table", "delete table")]


def start(config: DeviceConfig, _situation: Situation, files: Files, _ground: Ground) -> Running:
    """Load the table. Raises: DaemonError with nft's words."""
    loaded = [""]

    def load(new: Files, _new_situation: Situation | None = None) -> None:
        if new[SCRIPT] != loaded[0]:
            write_private(Path(SCRIPT), new[SCRIPT])
            run(["nft", "-f", SCRIPT])
            loaded[0] = new[SCRIPT]

    load(files)
    return Running(stop=lambda: stop(config), refresh=load)


def stop(config: DeviceConfig) -> None:
    """Shut the door, in one transaction with taking the filter away."""
    run(["nft", "-f", "-"], text=render_shut(config))


def _render_sets(config: DeviceConfig, situation: Situation) -> list[str]:
    branch = {network_of(segment) for segment in config.segments} | set(config.tunnel.local_subnets)
    return [
        *_set("gateways", "ipv4_addr", situation.gateways),
        *_set("branch", "ipv4_addr; flags interval; auto-merge", tuple(sorted(branch))),
        *_set("headquarters", "ipv4_addr; flags interval; auto-merge", config.tunnel.remote_subnets),
    ]


def _render_sources(config: DeviceConfig, situation: Situation) -> list[str]:
    rules = []
    for segment in config.segments:
        if segment.verify_sources:
            own, network = f'iifname "{bridge_of(segment)}"', network_of(segment)
            everyone = IPv4Interface(segment.address).network.broadcast_address
            rules += [
                f"{own} ip saddr 0.0.0.0 ip daddr 255.255.255.255 udp sport 68 udp dport 67 accept",  # RFC 2131 4.1
                f"{own} ip saddr {{ {address_of(segment)}, {everyone} }} counter drop",
                f"{own} ip saddr != {network} counter drop",
            ]
    if situation.uplink is not None:
        wan = f'iifname "{situation.uplink.interface}"'
        rules += [f"{wan} ip saddr {names} counter drop" for names in ("@branch", "@headquarters", NO_SOURCE)]
    return rules


def _render_input(config: DeviceConfig, situation: Situation) -> list[str]:
    rules = [
        'iifname "lo" accept',
        f'iifname "{RADIO_LINK}" udp dport {RADIO_PORTS} accept',
        "ct state established,related accept",
        "ct state invalid drop",
    ]
    for segment in config.segments:
        own = f'iifname "{bridge_of(segment)}"'
        to_own = f"{own} ip daddr {address_of(segment)}"
        everyone = f"{{ 255.255.255.255, {IPv4Interface(segment.address).network.broadcast_address} }}"
        rules += [
            f"{own} ip daddr {everyone} udp dport 67 accept",
            f"{to_own} udp dport {{ 53, 67 }} accept",
            f"{to_own} tcp dport 53 accept",
            f"{to_own} {ICMP} accept",
        ]
    for port, protocol, places in _services(config):
        rules += [f"{_from(place, config)} {protocol} dport {port} accept" for place in places]
    rules.append(f"iifname {TUNNEL} ip saddr @headquarters {ICMP} accept")
    if situation.uplink is not None:
        wan = f'iifname "{situation.uplink.interface}"'
        rules += [
            f"{wan} ip saddr @gateways udp sport {{ 500, 4500 }} udp dport {{ 500, 4500 }} accept",
            f"{wan} ip saddr @gateways meta l4proto esp accept",
            f"{wan} udp sport 67 udp dport 68 accept",
            f"{wan} {ICMP} limit rate 20/second burst 20 packets accept",
        ]
    return [*rules, "counter drop"]


def _render_crossing(config: DeviceConfig, situation: Situation) -> list[str]:
    by_name = {segment.name: segment for segment in config.segments}
    rules = ["ct state established,related accept", "ct state invalid drop"]
    for segment in config.segments:
        own = f'iifname "{bridge_of(segment)}"'
        if segment.verify_sources:
            own += f" ip saddr {network_of(segment)}"
        if not segment.isolated:  # bridged frames pass here too where the kernel's br_netfilter is on
            rules.append(f'{own} oifname "{bridge_of(segment)}" accept')
        for row in segment.reach:
            way = _find_way(row.to, by_name, situation)
            if way is not None and row.to != segment.name:
                rules += [f"{own} {way} {match} accept" for match in _match_services(row.open)]
    return [*rules, "counter drop"]


def _find_way(place: str, by_name: dict[str, Segment], situation: Situation) -> str | None:
    """Return the match for packets to a place; None where there is no way to it now."""
    if place == "hq":
        return f"oifname {TUNNEL} ip daddr @headquarters"
    if place != "internet":
        return f'oifname "{bridge_of(by_name[place])}" ip daddr {network_of(by_name[place])}'
    if situation.uplink is None:
        return None
    return f'oifname "{situation.uplink.interface}" ip daddr != @headquarters ip daddr != @branch'


def _match_services(services: tuple[str, ...]) -> list[str]:
    """Return the matches for what a row of the matrix opens; errors about a connection come as `related`."""
    if ANY in services:
        return [EVERYTHING]
    matches = ["icmp type echo-request"] if "icmp" in services else []
    for protocol in ("tcp", "udp"):
        ports = sorted(int(s.partition("/")[2]) for s in services if s.startswith(f"{protocol}/"))
        if ports:
            matches.append(f"{protocol} dport {{ {', '.join(map(str, ports))} }}")
    return matches


def _render_sizes(situation: Situation) -> list[str]:
    """TCP is told what fits (both ways), so that it need not find out by loss: RFC 2923 2.1 says why it may not."""
    syn = "tcp flags & (syn | rst) == syn"
    size = largest_segment(situation.tunnel_mtu)
    rules = [
        f"oifname {TUNNEL} {syn} tcp option maxseg size set {size}",
        f"iifname {TUNNEL} {syn} tcp option maxseg size set {size}",
    ]
    if situation.uplink is not None:
        wan, size = situation.uplink.interface, largest_segment(situation.uplink.mtu)
        rules += [f'{way} "{wan}" {syn} tcp option maxseg size set {size}' for way in ("oifname", "iifname")]
    return rules


def _render_nat(situation: Situation) -> list[str]:
    if situation.uplink is None:
        return []
    return [f'ip saddr @branch oifname "{situation.uplink.interface}" masquerade']


def _render_leaving(config: DeviceConfig) -> list[str]:
    inside = ", ".join(f'"{bridge_of(segment)}"' for segment in config.segments)
    out = f'oifname != {{ "lo", {TUNNEL}, {inside} }}'
    return [
        f'oifname "{RADIO_LINK}" udp dport {RADIO_PORTS} accept',
        f'oifname "{RADIO_LINK}" drop',
        "ip daddr @gateways udp dport { 500, 4500 } accept",
        "ip daddr @gateways meta l4proto esp accept",
        f"{out} ip daddr @headquarters counter drop",
        f"{out} ip daddr @branch counter drop",
        f"{out} ip saddr @branch counter drop",
        f"{out} ip saddr @headquarters counter drop",
    ]


def _services(config: DeviceConfig) -> list[tuple[int, str, tuple[str, ...]]]:
    services: list[tuple[int, str, tuple[str, ...]]] = []
    if config.administration is not None:
        services.append((SSH_PORT, "tcp", config.administration.reach_from))
    if config.monitoring is not None:
        services.append((SNMP_PORT, "udp", config.monitoring.reach_from))
    return services


def _from(place: str, config: DeviceConfig) -> str:
    if place == "hq":
        return f"iifname {TUNNEL} ip saddr @headquarters"
    segment: Segment = next(item for item in config.segments if item.name == place)
    return f'iifname "{bridge_of(segment)}" ip saddr {network_of(segment)} ip daddr {address_of(segment)}'


def _set(name: str, kind: str, elements: tuple[str, ...]) -> list[str]:
    lines = [f"  set {name} {{", f"    type {kind}"]
    if elements:
        lines.append(f"    elements = {{ {', '.join(elements)} }}")
    return [*lines, "  }"]


def _chain(name: str, head: str, rules: list[str]) -> list[str]:
    return [f"  chain {name} {{", f"    type {head};", *(f"    {rule}" for rule in rules), "  }"]


PART = Part(name="firewall", section="segments", wave=0, render=render, start=start)
