"""LAN segments: one bridge each, its ports, the router's address, the isolation of its clients.

A segment's VLAN ends at the router's own ports: each port belongs untagged to one segment (an access port in the sense
of IEEE 802.1Q). A bridge per segment keeps them apart; tags would only matter on a port that carries several segments,
which the configuration cannot say.
"""

from __future__ import annotations

import json

from emulators.common.device_config import DeviceConfig
from emulators.common.supervise import run

from ..base import ApplyError, Files, Ground, Part, Running, Situation, bridge_of

SHUT = "locked on learning off fdb_flush"
"""A port where not anybody may come in is so from the outset: parts/admission.py opens it. Without ``learning off`` a
port learns an address from a link-local frame even where it is locked: one EAPOL-Start would let its sender in."""
SCRIPT, ISOLATION = "/run/etc/segments.ip", "/run/etc/segments.bridge"


def render(config: DeviceConfig, _situation: Situation) -> Files:
    """Return the batches for ip(8) and bridge(8)."""
    lines: list[str] = []
    isolated: list[str] = []
    for segment in config.segments:
        bridge = bridge_of(segment)
        lines.append(f"link add {bridge} type bridge forward_delay 0 stp_state 0")
        for port in segment.ports:
            lines += [f"addr flush dev lan{port}", f"link set lan{port} master {bridge}"]
            if segment.admission.method != "open":
                lines.append(f"link set lan{port} type bridge_slave {SHUT}")
            lines.append(f"link set lan{port} up")
        lines += [f"addr add {segment.address} broadcast + dev {bridge}", f"link set {bridge} up"]
        if segment.isolated:
            isolated += [f"link set dev lan{port} isolated on" for port in segment.ports]
    return {SCRIPT: _text(lines), ISOLATION: _text(isolated)}


def start(config: DeviceConfig, _situation: Situation, files: Files, ground: Ground) -> Running:
    """Make the bridges. Raises: ApplyError for a port that the hardware lacks."""
    there = {item["ifname"] for item in json.loads(run(["ip", "-j", "link"]))}
    for segment in config.segments:
        for port in segment.ports:
            if f"lan{port}" not in there:
                raise ApplyError("segments", f"{segment.name}: this device has no LAN port {port}")
    stop(config)
    run(["ip", "-batch", "-"], text=files[SCRIPT])
    if files[ISOLATION]:
        run(["bridge", "-batch", "-"], text=files[ISOLATION])
    ground.console.emit(
        "means.chosen", what="vlan", means="port-based", reason="each port belongs untagged to one segment"
    )
    return Running(stop=lambda: stop(config))


def stop(config: DeviceConfig) -> None:
    """Take the bridges away; none there is no error."""
    there = {item["ifname"] for item in json.loads(run(["ip", "-j", "link", "show", "type", "bridge"])) if item}
    for segment in config.segments:
        for port in segment.ports:
            run(["ip", "link", "set", f"lan{port}", "nomaster"])
        if bridge_of(segment) in there:
            run(["ip", "link", "del", bridge_of(segment)])


def _text(lines: list[str]) -> str:
    return "".join(f"{line}\n" for line in lines)


PART = Part(name="segments", section="segments", wave=0, render=render, start=start)
