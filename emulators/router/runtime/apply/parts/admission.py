"""Admission: who may use a segment's ports. IEEE 802.1X by hostapd, or a list of addresses, or anybody.

The ports of both kinds come locked out of parts/segments.py, so that nobody is in before this part is there. With
``dot1x`` they stay locked, and each address that is let in gets an entry of its own (admission_port.py). With ``mac``
the list is held at the port's ingress, before the bridge: a listed device may be on any port of its segment.

Whoever fails and is to land in another segment is led there by address, at the ingress as well (nft(8), ``fwd``): over
a pair of interfaces whose far end is a port of that segment's bridge. So right and wrong devices behind one port are
each where they belong. hostapd's questions to the server bear an address that the tunnel takes.
"""

from __future__ import annotations

import json
from contextlib import suppress
from ipaddress import IPv4Interface, IPv4Network
from pathlib import Path

from emulators.common.controls import Admission
from emulators.common.device_config import DeviceConfig, Segment
from emulators.common.supervise import Daemon, DaemonError, Keeper, run, write_private

from ..admission_port import TABLE, AdmissionPort, Server
from ..base import Files, Ground, Part, Running, Situation, address_of, bridge_of
from ..hostapd_port import HOME

SCRIPT, LINKS, CONF = "/run/etc/admission.nft", "/run/etc/admission.ip", "/run/etc/hostapd-{port}.conf"
READY_S = 3.0
OPENED = ("locked", "off", "learning", "on")


def render(config: DeviceConfig, _situation: Situation) -> Files:
    """Return hostapd's configurations, the ingress rules and the links of those who land elsewhere."""
    closed = _closed_ports(config)
    if not closed:
        return {}
    rules = [f"table {TABLE}", f"delete table {TABLE}", f"table {TABLE} {{"]
    for segment, port in closed:
        rules += _render_ingress(segment.admission, f"lan{port}")
    files = {SCRIPT: "\n".join([*rules, "}"]) + "\n", LINKS: "".join(_render_links(config))}
    for segment, port in closed:
        if segment.admission.method == "dot1x":
            files[CONF.format(port=f"lan{port}")] = _render_hostapd(config, segment, f"lan{port}")
    return files


def start(config: DeviceConfig, situation: Situation, files: Files, ground: Ground) -> Running:
    """Hold the lists, start hostapd where it is asked for, and open the ports that the lists hold by themselves."""
    closed = _closed_ports(config)
    if not closed:
        return Running(stop=lambda: None)
    _remove()
    keeper: Keeper | None = None
    ports: list[AdmissionPort] = []

    def stop() -> None:
        for port in ports:
            port.stop()
        if keeper is not None:
            keeper.stop()
        _remove()

    try:
        run(["ip", "-batch", "-"], text=files[LINKS])
        write_private(Path(SCRIPT), files[SCRIPT])
        run(["nft", "-f", SCRIPT])
        for segment, port in closed:
            if segment.admission.method == "mac":
                run(["ip", "link", "set", f"lan{port}", "type", "bridge_slave", *OPENED])
        asking = [(segment, port) for segment, port in closed if segment.admission.method == "dot1x"]
        if asking:
            keeper = _start_hostapd(files, [f"lan{port}" for _, port in asking])
            ports += [AdmissionPort(s, p, _server(config), ground.console) for s, p in asking]
    except BaseException:
        stop()
        raise
    for watched in ports:
        watched.start()
    return Running(stop=stop, refresh=_Opener(ports, situation).refresh)


class _Opener:
    """Has the ports ask who is there, each time that the way to the server opens."""

    def __init__(self, ports: list[AdmissionPort], situation: Situation) -> None:
        self._ports, self._was_up = ports, False
        self.refresh({}, situation)

    def refresh(self, _files: Files, situation: Situation) -> None:
        if situation.tunnel_up and not self._was_up:
            for port in self._ports:
                port.begin()
        self._was_up = situation.tunnel_up


def _closed_ports(config: DeviceConfig) -> list[tuple[Segment, int]]:
    return [(s, port) for s in config.segments if s.admission.method != "open" for port in s.ports]


def _render_ingress(admission: Admission, port: str) -> list[str]:
    lands = admission.refused != "deny"
    away = f'fwd to "{port}l"' if lands else "counter drop"
    if admission.method == "mac":
        elements = f"    elements = {{ {', '.join(admission.macs)} }}"
        chosen, rules = f"listed_{port}", [f"ether saddr @listed_{port} accept", away]
    else:
        elements, chosen = "", f"refused_{port}"
        rules = ["ether type 0x888e accept", f"ether saddr @refused_{port} {away}"] if lands else []
    lines = [f"  set {chosen} {{", "    type ether_addr", *([elements] if elements else []), "  }"]
    lines += _chain(port, port, rules)
    return lines + (_chain(f"{port}_back", f"{port}l", [f'fwd to "{port}"']) if lands else [])


def _chain(name: str, device: str, rules: list[str]) -> list[str]:
    head = f'    type filter hook ingress device "{device}" priority 0; policy accept;'
    return [f"  chain at_{name} {{", head, *(f"    {rule}" for rule in rules), "  }"]


def _render_links(config: DeviceConfig) -> list[str]:
    lines: list[str] = []
    by_name = {segment.name: segment for segment in config.segments}
    for segment, number in _closed_ports(config):
        landing = by_name.get(segment.admission.refused)
        if landing is None:
            continue
        port = f"lan{number}"
        lines += [f"link add {port}r type veth peer name {port}l\n", f"link set {port}r master {bridge_of(landing)}\n"]
        if landing.isolated:
            lines.append(f"link set {port}r type bridge_slave isolated on\n")
        lines += [f"link set {port}{end} up\n" for end in "rl"]
    return lines


def _render_hostapd(config: DeviceConfig, segment: Segment, port: str) -> str:
    radius = config.radius
    if radius is None:
        raise ValueError(f"{segment.name}: dot1x asks a RADIUS server, and there is none")
    source = find_source(config)
    lines = [
        f"interface={port}",
        "driver=wired",
        "logger_syslog=0",
        "logger_stdout=-1",
        "logger_stdout_level=2",
        f"ctrl_interface={HOME}",
        "ieee8021x=1",
        "eapol_version=2",
        "use_pae_group_addr=0",  # each device is spoken to by its own address: there may be several on a port
        "eap_reauth_period=0",
        f"nas_identifier={config.hostname}-{segment.name}",
        f"own_ip_addr={source}",
        f"radius_client_addr={source}",
        f"auth_server_addr={radius.server}",
        f"auth_server_port={radius.port}",
        f"auth_server_shared_secret={radius.secret}",
    ]
    return "\n".join(lines) + "\n"


def find_source(config: DeviceConfig) -> str:
    """Return the router's own address that the tunnel takes: the first segment's in a selector, else the first's."""
    selectors = [IPv4Network(text) for text in config.tunnel.local_subnets]
    inside = (s for s in config.segments if any(IPv4Interface(s.address).ip in network for network in selectors))
    return address_of(next(inside, config.segments[0]))


def _server(config: DeviceConfig) -> Server:
    assert config.radius is not None  # check.py and render saw to that
    return Server(config.radius, find_source(config))


def _start_hostapd(files: Files, ports: list[str]) -> Keeper:
    paths = [CONF.format(port=port) for port in ports]
    for path in paths:
        write_private(Path(path), files[path])
    for port in ports:
        Path(HOME, port).unlink(missing_ok=True)
    keeper = Keeper(Daemon("hostapd", ("hostapd", *paths))).start()
    try:
        keeper.wait_ready(lambda: all(Path(HOME, port).exists() for port in ports), READY_S)
    except BaseException:
        keeper.stop()
        raise
    return keeper


def _remove() -> None:
    """Take rules and links away; none there is no error."""
    run(["nft", "-f", "-"], text=f"table {TABLE}\ndelete table {TABLE}\n")
    for item in json.loads(run(["ip", "-j", "link", "show", "type", "veth"]) or "[]"):
        name = str(item.get("ifname", ""))
        if name.startswith("lan") and name.endswith("r"):
            with suppress(DaemonError):
                run(["ip", "link", "del", name])


PART = Part(name="admission", section="segments", wave=2, render=render, start=start)
