"""No DHCP server but the device's own is heard across LAN ports, and one that speaks up is told of.

Common practice, as "DHCP snooping", without a standard for IPv4; RFC 7610 asks the same of a switch for DHCPv6. What
comes from a server's port to a client's is dropped where it comes in, so that neither another port of the segment nor
another segment gets it. Two devices behind one port are out of reach: what they say to each other does not pass here.
"""

from __future__ import annotations

import syslog

from emulators.common.device_config import DeviceConfig
from emulators.common.supervise import run

from ..base import Files, Ground, Part, Running, Situation
from ..device_log import note
from ..dhcp_watch import CLIENT_PORT, SERVER_PORT, Stranger, Watch

SCRIPT, TABLE = "/run/etc/dhcp_guard.nft", "netdev dhcp_guard"


def render(config: DeviceConfig, _situation: Situation) -> Files:
    """Return the script for ``nft -f``."""
    lines = [f"table {TABLE}", f"delete table {TABLE}", f"table {TABLE} {{"]
    for port in sorted(_find_segments(config)):
        lines += [
            f"  chain lan{port} {{",
            f'    type filter hook ingress device "lan{port}" priority -10; policy accept;',
            f"    udp sport {SERVER_PORT} udp dport {CLIENT_PORT} counter drop",
            "  }",
        ]
    return {SCRIPT: "\n".join([*lines, "}"]) + "\n"}


def start(config: DeviceConfig, _situation: Situation, files: Files, ground: Ground) -> Running:
    """Shut the ports to servers, and listen for them. Raises: DaemonError, OSError."""
    segments = _find_segments(config)

    def tell(port: int, stranger: Stranger) -> None:
        ground.console.emit(
            "dhcp.server_refused", segment=segments[port], port=port, mac=stranger.mac, server=stranger.server
        )
        note(syslog.LOG_WARNING, f"DHCP server {stranger.server} ({stranger.mac}) at port {port} refused")

    run(["nft", "-f", "-"], text=files[SCRIPT])
    try:
        watch = Watch({port: f"lan{port}" for port in segments}, tell).start()
    except OSError:
        _open_ports()
        raise

    def stop() -> None:
        watch.stop()
        _open_ports()

    return Running(stop=stop)


def _open_ports() -> None:
    run(["nft", "-f", "-"], text=f"table {TABLE}\ndelete table {TABLE}\n")


def _find_segments(config: DeviceConfig) -> dict[int, str]:
    return {port: segment.name for segment in config.segments for port in segment.ports}


PART = Part(name="dhcp_guard", section="segments", wave=1, render=render, start=start)
