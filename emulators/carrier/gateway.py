"""The carrier's user plane: bearers on ``gtp0``, NAT, resolver. Layer: stand-in, I/O (ip, nft, dnsmasq).

* The MTU of an APN is a locked MTU on the device's route, so the kernel itself answers ICMP 3/4 to packets with DF set
  and fragments the rest (RFC 1191, RFC 791).
* NAT is nftables in a table of its own. Devices reach the internet, never each other, and nothing reaches them
  unasked. UDP mappings live 5 minutes (RFC 4787 REQ-5). Not met: REQ-1 (netfilter maps per destination) and RFC 5508
  REQ-2 (ICMP query sessions live the kernel's 30 s, not 60).
* The resolver is dnsmasq, forwarding everything; its query log becomes ``name.answered`` events.

Not here: who gets an address (machine.py).
"""

from __future__ import annotations

import ipaddress
import socket
import subprocess
from dataclasses import dataclass

from emulators.carrier.machine import Carrier, Grant, LinkFigures
from emulators.carrier.mappings import Mapping, Mappings
from emulators.common.dnsmasq_log import DnsmasqLog, NameAnswered
from emulators.common.gtp_link import Bearer, GtpLink, open_tun
from emulators.common.service import Console
from emulators.common.shaper import Shape, build_shape
from emulators.common.supervise import Daemon, Keeper

INTERFACE = "gtp0"
MAX_FOREIGN = 100  # pairs told of: enough for any diagnosis, and no flood
MAX_MTU = 1500
PROTOCOL_NAMES = {1: "icmp", 6: "tcp", 17: "udp", 50: "esp"}  # IANA, Protocol Numbers

_NAT = """
table ip carrier {{
{timeouts}  chain nat_out {{
    type nat hook postrouting priority srcnat
    oifname "inet" ip saddr {pool} snat to {nat_address}
  }}
  chain pass {{
    type filter hook forward priority filter
    policy drop
    iifname "gtp0" oifname "inet" ip saddr {pool} accept
    iifname "inet" oifname "gtp0" ct state established,related accept
  }}
}}
"""
_TIMEOUTS = """  ct timeout udp_mapping {
    protocol udp
    l3proto ip
    policy = { unreplied: 300, replied: 300 }
  }
  chain times {
    type filter hook prerouting priority filter
    ip protocol udp ct timeout set "udp_mapping"
  }
"""  # RFC 4787 REQ-5: 5 minutes recommended, never under 2. Only past conntrack does it take effect.


class GatewayError(RuntimeError):
    """A tool that builds the user plane failed."""


@dataclass(frozen=True, slots=True)
class GatewaySettings:
    pool: str
    gateway: str
    nat_address: str
    dns_upstream: str
    own: str
    device: str
    """Addresses on the radio link: the carrier's and the modem's."""


def build_rules(settings: GatewaySettings, *, timeouts: bool) -> str:
    """Return the nft script, with or without the UDP mapping times (not every kernel has `ct timeout`)."""
    text = _TIMEOUTS if timeouts else ""
    return _NAT.format(pool=settings.pool, nat_address=settings.nat_address, timeouts=text)


def build_resolver_command(settings: GatewaySettings, answers: tuple[str, ...] | None = None) -> list[str]:
    """Return dnsmasq's command line: no files, one upstream, one address, the log on stderr. `answers`: options that
    stand in place of the upstream."""
    source = (f"--server={settings.dns_upstream}",) if answers is None else answers
    return [
        *("dnsmasq", "--keep-in-foreground", "--conf-file=/dev/null", "--no-hosts", "--no-resolv", "--no-poll"),
        *("--bind-dynamic", f"--listen-address={settings.gateway}", "--except-interface=lo"),
        *(*source, "--log-queries=extra", "--log-facility=-", "--pid-file="),
        *("--user=", "--group=", "--cache-size=150", "--port=53"),
    ]


def downlink_shape(link: LinkFigures) -> Shape:
    return build_shape(link.down_bps, link.delay_ms, link.jitter_ms, link.loss_pct, link.burst_packets)


class Gateway:
    """The user plane of one cell."""

    def __init__(self, settings: GatewaySettings, console: Console) -> None:
        self._settings, self._console = settings, console
        self._network = ipaddress.IPv4Network(settings.pool)
        self._link = GtpLink(open_tun(INTERFACE), settings.own, device=False)
        self._link.on_foreign = self._note_foreign
        self._foreign: set[bytes] = set()
        self._bearer: Bearer | None = None
        self._routed: str | None = None
        self._names = DnsmasqLog()
        self._resolver: Keeper | None = None
        self._widest = MAX_MTU
        self._told: set[tuple[int, int]] = set()
        self._mappings = Mappings(self._note_mapping)

    @property
    def settings(self) -> GatewaySettings:
        return self._settings

    def start(self) -> None:
        """Build everything. Raises: GatewayError."""
        own = self._settings
        _run(["ip", "addr", "add", f"{own.gateway}/32", "dev", INTERFACE])
        _run(["ip", "link", "set", "dev", INTERFACE, "mtu", str(MAX_MTU), "txqueuelen", "1000", "up"])
        self._load_rules()
        self._mappings.start()
        self._link.start("gtp-u")
        self._start_resolver()

    def _note_foreign(self, packet: bytes) -> None:
        """Tell once of each pair of addresses that a device sent from, or to, as another than itself."""
        ends = packet[12:20]
        if len(ends) == 8 and ends not in self._foreign and len(self._foreign) < MAX_FOREIGN:
            self._foreign.add(ends)
            source, destination = (str(ipaddress.IPv4Address(part)) for part in (ends[:4], ends[4:]))
            self._console.emit("source.refused", source=source, destination=destination, protocol=packet[9])

    def _note_mapping(self, made: Mapping) -> None:
        """Tell of the first UDP mapping to each port, and of each other time that such are kept."""
        if (made.to_port, made.kept_s) not in self._told:
            self._told.add((made.to_port, made.kept_s))
            ends = {"inside": made.inside, "outside": made.outside, "to": f"{made.to_address}:{made.to_port}"}
            self._console.emit("mapping.made", **ends, protocol="udp", kept_s=made.kept_s)

    def forget_mappings(self) -> None:
        """Forget every device's UDP mappings, as a NAT that starts anew does. Raises: OSError."""
        self._told.clear()
        self._mappings.forget()

    def _load_rules(self) -> None:
        try:
            _run(["nft", "-f", "-"], build_rules(self._settings, timeouts=True))
            means, reason = "nft", ""
        except GatewayError as error:
            _run(["nft", "-f", "-"], build_rules(self._settings, timeouts=False))
            means, reason = "kernel defaults", str(error)
        self._console.emit("means.chosen", what="nat_times", means=means, reason=reason)

    def follow(self, carrier: Carrier) -> None:
        """Make bearers what the core has granted."""
        grant = carrier.grant
        if self._routed and (grant is None or self._routed != grant.address):
            subprocess.run(["ip", "route", "del", f"{self._routed}/32", "dev", INTERFACE], check=False)
            self._routed = None
        if grant is None:
            self._bearer = None
            self._link.set_bearers(())
            return
        mtu = str(grant.apn.mtu)
        _run(["ip", "route", "replace", f"{grant.address}/32", "dev", INTERFACE, "mtu", "lock", mtu])
        self._routed = grant.address
        self._bearer = self._build_bearer(grant, downlink_shape(carrier.link))
        self._link.set_bearers((self._bearer,))

    def reshape(self, link: LinkFigures) -> None:
        """Change how the downlink treats packets."""
        if self._bearer is not None:
            self._bearer.reshape(downlink_shape(link))

    def narrow(self, widest_bytes: int = MAX_MTU) -> None:
        """Carry no packet that is larger from now on, whatever the bearer's MTU, and tell nobody."""
        self._widest = widest_bytes
        if self._bearer is not None:
            self._bearer.widest = widest_bytes

    def _build_bearer(self, grant: Grant, shape: Shape) -> Bearer:
        device = self._settings.device
        teids = (grant.up_teid, grant.down_teid)
        bearer = Bearer(teids, device, grant.address, grant.apn.mtu, shape)
        bearer.watch = self._witness
        bearer.widest = self._widest
        return bearer

    def _witness(self, packet: bytes) -> bool:
        """Report the first packet of a device that leaves for the internet."""
        destination = ipaddress.IPv4Address(packet[16:20])
        if destination in self._network or destination.is_multicast or str(destination) == self._settings.gateway:
            return False
        self._console.emit(
            "address.first_used",
            address=socket.inet_ntoa(packet[12:16]),
            destination=str(destination),
            protocol=PROTOCOL_NAMES.get(packet[9], str(packet[9])),
        )
        return True

    def _start_resolver(self, answers: tuple[str, ...] | None = None) -> None:
        command = build_resolver_command(self._settings, answers)
        self._resolver = Keeper(Daemon("dnsmasq", tuple(command), on_line=self._read_resolver)).start()

    def answer_names(self, answers: tuple[str, ...] | None) -> None:
        """Have the resolver answer by these options of dnsmasq instead of by its upstream; None: by its upstream."""
        if self._resolver is not None:
            self._resolver.stop()
        self._start_resolver(answers)

    def _read_resolver(self, line: str) -> None:
        said = self._names.feed(line)
        if isinstance(said, NameAnswered):
            self._console.emit("name.answered", client=said.client, name=said.name, address=said.address)


def _run(command: list[str], text: str | None = None) -> None:
    done = subprocess.run(command, input=text, capture_output=True, text=True, check=False)
    if done.returncode:
        raise GatewayError(f"{' '.join(command)}: exit {done.returncode}: {done.stderr.strip()}")
