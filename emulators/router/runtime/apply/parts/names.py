"""Names for the branch: a forwarding resolver, by dnsmasq.

It listens on the loopback, so that the device's own look-ups go where its clients' go, and in every segment that the
web filter does not name. In those that it does, another listens, which asks this one (web_filter.py).
"""

from __future__ import annotations

import signal
from pathlib import Path

from emulators.common.device_config import DeviceConfig
from emulators.common.supervise import Daemon, Keeper, write_private

from ..base import Files, Ground, Part, Running, Situation, address_of, choose_name_servers

CONF, SERVERS, PID = "/run/etc/names.conf", "/run/etc/names.servers", "/run/names.pid"
LOOPBACK = "127.0.0.1"
READY_S = 3.0


def render(config: DeviceConfig, situation: Situation) -> Files:
    """Return dnsmasq's configuration and, apart from it since they follow the uplink, its upstream servers."""
    filtered = config.web_filter.segments if config.web_filter is not None else ()
    lines = [
        "no-resolv",
        "no-hosts",
        "no-poll",
        "bind-interfaces",
        "domain-needed",
        "cache-size=1000",
        f"servers-file={SERVERS}",
        f"pid-file={PID}",
        f"listen-address={LOOPBACK}",
        *(f"listen-address={address_of(segment)}" for segment in config.segments if segment.name not in filtered),
        *gather_extra(config),
    ]
    servers = [f"server={address}" for address in choose_name_servers(config, situation.uplink)]
    return {CONF: "\n".join(lines) + "\n", SERVERS: "".join(f"{line}\n" for line in servers)}


def gather_extra(_config: DeviceConfig) -> list[str]:
    """Return what other controls want of the resolver that all names pass, such as sets that answers fill."""
    return []


def start(_config: DeviceConfig, _situation: Situation, files: Files, _ground: Ground) -> Running:
    """Start dnsmasq. It stays root: it has no file that another account owns, and the container lacks DAC_OVERRIDE."""
    for path, text in files.items():
        write_private(Path(path), text)
    Path(PID).unlink(missing_ok=True)
    argv = ("dnsmasq", "--keep-in-foreground", f"--conf-file={CONF}", "--user=", "--group=")
    keeper = Keeper(Daemon("names", argv)).start()
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


PART = Part(name="names", section="segments", wave=1, render=render, start=start)
