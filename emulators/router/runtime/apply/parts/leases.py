"""Addresses and names for the branch: DHCP and a forwarding resolver, by dnsmasq.

The resolver listens on the loopback too, so that the device's own look-ups go where its clients' go.
"""

from __future__ import annotations

import signal
from ipaddress import IPv4Interface
from pathlib import Path

from emulators.common.device_config import DeviceConfig
from emulators.common.supervise import Daemon, Keeper, write_private

from ..base import Files, Ground, Part, Running, Situation, address_of, bridge_of, choose_name_servers

CONF, SERVERS, PID = "/run/etc/dnsmasq.conf", "/run/etc/dnsmasq.servers", "/run/dnsmasq.pid"
READY_S = 3.0


def render(config: DeviceConfig, situation: Situation) -> Files:
    """Return dnsmasq's configuration and, apart from it since they follow the uplink, its upstream servers."""
    lines = [
        "# no-ping: the pool is dnsmasq's alone, and probing each address first would cost 3 s a lease",
        "no-ping",
        "no-resolv",
        "no-hosts",
        "no-poll",
        "bind-interfaces",
        "dhcp-authoritative",
        "domain-needed",
        "cache-size=1000",
        f"servers-file={SERVERS}",
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
    servers = [f"server={address}" for address in choose_name_servers(config, situation.uplink)]
    return {CONF: "\n".join(lines) + "\n", SERVERS: "".join(f"{line}\n" for line in servers)}


def start(_config: DeviceConfig, _situation: Situation, files: Files, _ground: Ground) -> Running:
    """Start dnsmasq. It stays root: it has no file that another account owns, and the container lacks DAC_OVERRIDE."""
    for path, text in files.items():
        write_private(Path(path), text)
    Path(PID).unlink(missing_ok=True)
    argv = ("dnsmasq", "--keep-in-foreground", f"--conf-file={CONF}", "--user=", "--group=")
    keeper = Keeper(Daemon("dnsmasq", argv)).start()
    try:
        keeper.wait_ready(Path(PID).exists, READY_S)
    except BaseException:
        keeper.stop()
        raise
    known = {SERVERS: files[SERVERS]}

    def refresh(new: Files, _new_situation: Situation) -> None:
        if new[SERVERS] != known[SERVERS]:
            known[SERVERS] = new[SERVERS]
            write_private(Path(SERVERS), new[SERVERS])
            keeper.signal(signal.SIGHUP)  # dnsmasq(8): re-reads servers-file and empties its cache

    return Running(stop=keeper.stop, refresh=refresh)


PART = Part(name="leases", section="segments", wave=1, render=render, start=start)
