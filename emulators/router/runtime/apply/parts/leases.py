"""Addresses for the branch: DHCP, by dnsmasq. Each segment's clients are told the router as their only name server.

Not here: names (names.py, web_filter.py).
"""

from __future__ import annotations

from ipaddress import IPv4Interface
from pathlib import Path

from emulators.common.device_config import DeviceConfig
from emulators.common.supervise import Daemon, Keeper, write_private

from ..base import Files, Ground, Part, Running, Situation, address_of, bridge_of

CONF, PID = "/run/etc/dnsmasq.conf", "/run/dnsmasq.pid"
READY_S = 3.0


def render(config: DeviceConfig, _situation: Situation) -> Files:
    """Return dnsmasq's configuration."""
    lines = [
        "port=0",
        "# no-ping: the pool is dnsmasq's alone, and probing each address first would cost 3 s a lease",
        "no-ping",
        "bind-interfaces",
        "dhcp-authoritative",
        "dhcp-leasefile=/run/dnsmasq.leases",
        f"pid-file={PID}",
    ]
    for segment in config.segments:
        tag, dhcp = bridge_of(segment), segment.dhcp
        mask = IPv4Interface(segment.address).netmask
        lines += [
            f"interface={tag}",
            f"dhcp-range=set:{tag},{dhcp.first},{dhcp.last},{mask},{dhcp.lease_s}",
            f"dhcp-option=tag:{tag},option:router,{address_of(segment)}",
            f"dhcp-option=tag:{tag},option:dns-server,{address_of(segment)}",
        ]
    return {CONF: "\n".join(lines) + "\n"}


def start(_config: DeviceConfig, _situation: Situation, files: Files, _ground: Ground) -> Running:
    """Start dnsmasq. It stays root: it has no file that another account owns, and the container lacks DAC_OVERRIDE."""
    write_private(Path(CONF), files[CONF])
    Path(PID).unlink(missing_ok=True)
    argv = ("dnsmasq", "--keep-in-foreground", f"--conf-file={CONF}", "--user=", "--group=")
    keeper = Keeper(Daemon("dnsmasq", argv)).start()
    try:
        keeper.wait_ready(Path(PID).exists, READY_S)
    except BaseException:
        keeper.stop()
        raise
    return Running(stop=keeper.stop)


PART = Part(name="leases", section="segments", wave=1, render=render, start=start)
