"""The web filter: names that clients of some segments are not given, and no other resolver for them.

In the segments that it names, unbound answers instead of dnsmasq (names.py): of a blocked name, whatever type of record
is asked, with the code that the configuration says; of any other with what dnsmasq says, keeping nothing itself. A name
of an encrypted resolver (RFC 8484) is a blocked name too. Packets of these segments to any other resolver, by DNS (RFC
1035, port 53) or by DNS over TLS or QUIC (RFC 7858, RFC 9250, port 853), and to the addresses of the encrypted ones by
HTTPS, are refused: in a table of its own, before the packet filter proper.

Law: the table only refuses. What it lets pass, firewall.py still judges.
"""

from __future__ import annotations

import threading
from ipaddress import AddressValueError, IPv4Address
from pathlib import Path

from emulators.common.controls import WebFilter
from emulators.common.device_config import DeviceConfig
from emulators.common.service import log
from emulators.common.supervise import Daemon, DaemonError, Keeper, run, write_private

from ...names import ResolveError, resolve
from ..base import Files, Ground, Part, Running, Situation, address_of, bridge_of, choose_name_servers
from .names import LOOPBACK

CONF, SCRIPT, PID = "/run/etc/unbound.conf", "/run/etc/web_filter.nft", "/run/unbound.pid"
TABLE, SHUT_OUT = "inet web_filter", "encrypted_resolvers"
ANSWERS = {"nxdomain": "always_nxdomain", "refused": "always_refuse"}  # unbound.conf(5), local-zone
READY_S = 3.0
FIRST_PAUSE_S, RELOOK_S = 0.25, 60.0
"""Until an encrypted resolver is looked up again: where that failed, at first, and then twice as long each time; and
where it did not. Our choice."""
LOOK_S = 1.0
"""How long one look-up may take, and how long the start waits for the first of them."""


def render(config: DeviceConfig, _situation: Situation) -> Files:
    """Return unbound's configuration and the script for ``nft -f``; nothing without a web filter."""
    control = config.web_filter
    if control is None:
        return {}
    segments = [segment for segment in config.segments if segment.name in control.segments]
    if not segments:
        return {}
    return {
        CONF: _render_unbound(control, [address_of(segment) for segment in segments]),
        SCRIPT: _render_table([bridge_of(segment) for segment in segments]),
    }


def list_blocked(control: WebFilter) -> tuple[str, ...]:
    """Return every name that is not given out, without a leading dot, in order, each once."""
    names = [name for category in control.blocked for name in category.names]
    names += [name for name in control.encrypted_resolvers if not _is_address(name)]
    return tuple(dict.fromkeys(name.lower().removeprefix(".") for name in names))


def _render_unbound(control: WebFilter, addresses: list[str]) -> str:
    zones = [f'  local-zone: "{name}." {ANSWERS[control.answer]}' for name in list_blocked(control)]
    lines = [
        "server:",
        *(f"  interface: {address}" for address in addresses),
        "  ip-freebind: yes",  # it starts beside what gives the interfaces their addresses
        "  do-daemonize: no",
        '  username: ""',
        '  chroot: ""',
        '  directory: "/run"',
        f'  pidfile: "{PID}"',
        "  use-syslog: no",
        '  logfile: ""',
        "  verbosity: 0",
        "  do-ip6: no",
        "  num-threads: 1",
        "  outgoing-range: 128",
        "  num-queries-per-thread: 64",
        '  module-config: "iterator"',
        "  do-not-query-localhost: no",
        "  access-control: 0.0.0.0/0 allow",  # the packet filter says who comes as far as here
        "  hide-identity: yes",
        "  hide-version: yes",
        *zones,
        "forward-zone:",
        '  name: "."',
        f"  forward-addr: {LOOPBACK}",
        "  forward-no-cache: yes",  # dnsmasq keeps answers, and forgets them when the uplink changes
        "remote-control:",
        "  control-enable: no",
    ]
    return "\n".join(lines) + "\n"


def _render_table(bridges: list[str]) -> str:
    inside = ", ".join(f'"{bridge}"' for bridge in bridges)
    inside, both = f"iifname {{ {inside} }}", "meta l4proto { tcp, udp }"
    rules = [
        f"    {inside} {both} th dport {{ 53, 853 }} counter goto refusal",
        f"    {inside} {both} ip daddr @{SHUT_OUT} th dport 443 counter goto refusal",
    ]
    lines = [
        f"table {TABLE}",
        f"delete table {TABLE}",
        f"table {TABLE} {{",
        f"  set {SHUT_OUT} {{",
        "    type ipv4_addr",
        "  }",
        "  chain refusal {",
        "    meta l4proto tcp reject with tcp reset",
        "    reject with icmpx admin-prohibited",
        "  }",
        "  chain crossing {",
        "    type filter hook forward priority filter - 5; policy accept;",
        *rules,
        "  }",
        "}",
    ]
    return "\n".join(lines) + "\n"


class Lookout:
    """Keeps the addresses of the encrypted resolvers in the table, as names lead to others from time to time. It asks
    whom dnsmasq asks (names.py), which at the start is not there yet."""

    def __init__(self, hosts: tuple[str, ...], servers: tuple[str, ...]) -> None:
        self._hosts, self._servers = hosts, servers
        self._found: dict[str, tuple[str, ...]] = {}
        self._stopping, self._look, self._looked = threading.Event(), threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="encrypted resolvers", daemon=True)

    def start(self) -> None:
        """Begin to look, and return when all was looked up once, or after a while."""
        self._thread.start()
        self._looked.wait(LOOK_S)

    def ask(self, servers: tuple[str, ...]) -> None:
        """Ask these servers from now on, and at once."""
        self._servers = servers
        self._look.set()

    def stop(self) -> None:
        """End it. A look-up that is under way ends by itself."""
        self._stopping.set()
        self._look.set()

    def _run(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stopping.is_set():
            whole = self._look_up()
            self._looked.set()
            if self._look.wait(RELOOK_S if whole else pause_s):
                self._look.clear()
            pause_s = FIRST_PAUSE_S if whole else min(2 * pause_s, RELOOK_S)

    def _look_up(self) -> bool:
        before, whole = dict(self._found), True
        for host in self._hosts:
            try:
                self._found[host] = resolve(host, self._servers, LOOK_S)
            except ResolveError as error:
                whole = False
                log(f"web filter: {error}")
        if self._found != before and not self._stopping.is_set():
            self._load(sorted({address for found in self._found.values() for address in found}))
        return whole

    def _load(self, addresses: list[str]) -> None:
        target = f"{TABLE} {SHUT_OUT}"
        added = f"add element {target} {{ {', '.join(addresses)} }}\n" if addresses else ""
        try:
            run(["nft", "-f", "-"], text=f"flush set {target}\n{added}")
        except DaemonError as error:
            log(f"web filter: {error}")


def start(config: DeviceConfig, situation: Situation, files: Files, _ground: Ground) -> Running:
    """Load the table, start unbound and the look-out; nothing without a web filter."""
    control = config.web_filter
    if control is None or not files:
        return Running(stop=lambda: None)
    for path, text in files.items():
        write_private(Path(path), text)
    run(["nft", "-f", SCRIPT])
    Path(PID).unlink(missing_ok=True)
    keeper = Keeper(Daemon("unbound", ("unbound", "-d", "-c", CONF)))
    lookout = Lookout(control.encrypted_resolvers, choose_name_servers(config, situation.uplink))

    def stop() -> None:
        lookout.stop()
        keeper.stop()
        run(["nft", "-f", "-"], text=f"table {TABLE}\ndelete table {TABLE}\n")

    try:
        keeper.start().wait_ready(Path(PID).exists, READY_S)
        lookout.start()
    except BaseException:
        stop()
        raise

    def refresh(_files: Files, new: Situation) -> None:
        lookout.ask(choose_name_servers(config, new.uplink))

    return Running(stop=stop, refresh=refresh)


def _is_address(text: str) -> bool:
    try:
        IPv4Address(text)
    except AddressValueError:
        return False
    return True


PART = Part(name="web_filter", section="web_filter", wave=0, render=render, start=start)
