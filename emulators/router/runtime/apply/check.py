"""Whether a configuration makes sense before anything is touched. Layer: router firmware, pure.

Daemons' own syntax is at stake too: text from the document goes into their files, so every name is held to a pattern
that no file format gives a meaning to. Secrets appear in no message.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from ipaddress import IPv4Address, IPv4Interface, IPv4Network

from emulators.common.device_config import Administration, DeviceConfig, Monitoring, Segment
from emulators.common.esp_sizes import SuiteError, parse_suite

from .base import ApplyError
from .check_admission import check_admission
from .check_log_ins import check_log_ins
from .check_logs import check_logs

_NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?", re.IGNORECASE)
_HOST = re.compile(r"[a-z0-9]([a-z0-9.-]{0,251}[a-z0-9])?", re.IGNORECASE)
_SERVICE = re.compile(r"any|icmp|(tcp|udp)/[1-9][0-9]{0,4}")
_USER = re.compile(r"[a-z_][a-z0-9_-]{0,31}")  # useradd(8), CAVEATS
_LINE = re.compile(r"[^\x00-\x1f\x7f\"\\]*")
_KEY = re.compile(r"(ssh-ed25519|ssh-rsa|ecdsa-sha2-nistp(256|384|521)) [A-Za-z0-9+/=]+( [^\x00-\x1f\x7f\"\\]*)?")
_IDENTITY = re.compile(r"[A-Za-z0-9@._*=, -]+")
_OID = re.compile(r"[012](\.(0|[1-9][0-9]{0,9})){1,127}")  # ITU-T X.660
LEAST_SNMP_KEY = 8  # RFC 3414 11.2
PLACES = frozenset({"hq"})
MOST_CLASSES, LEAST_RATE_BPS = 8, 8000  # the profile's own bounds


def check_config(config: DeviceConfig) -> None:
    """Raise ApplyError for the first thing that cannot be applied."""
    for section, reason in _find_faults(config):
        raise ApplyError(section, reason)


def _find_faults(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    try:
        if not _NAME.fullmatch(config.hostname):
            yield "hostname", f"expected a host name, saw {config.hostname!r}"
        yield from _check_segments(config)
        yield from _check_tunnel(config)
        yield from _check_access(config)
        yield from _check_servers(config)
        yield from check_admission(config)
        yield from _check_qos(config)
        yield from _check_web_filter(config)
        yield from _check_inspection(config)
    except ValueError as error:  # ipaddress's own words, with the text that it did not like
        yield "addresses", str(error)


def _check_segments(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    if not config.segments:
        yield "segments", "expected at least one, saw none"
    names = {segment.name for segment in config.segments}
    seen: list[Segment] = []
    for index, segment in enumerate(config.segments):
        where = f"segments[{index}]"
        yield from ((f"{where}.{key}", reason) for key, reason in _check_segment(segment))
        for target in {row.to for row in segment.reach} - names - {"hq", "internet"}:
            yield f"{where}.reach", f"expected a segment, hq or internet, saw {target!r}"
        for other in seen:
            if other.name == segment.name or other.vlan == segment.vlan:
                yield where, f"name and VLAN must be its own, but {other.name} ({other.vlan}) has one of them too"
            if set(other.ports) & set(segment.ports):
                yield f"{where}.ports", f"a port can be in one segment only, but {other.name} has one of them too"
            if IPv4Interface(other.address).network.overlaps(IPv4Interface(segment.address).network):
                yield f"{where}.address", f"{segment.address} overlaps {other.name}'s {other.address}"
        seen.append(segment)


def _check_segment(segment: Segment) -> Iterator[tuple[str, str]]:
    interface = IPv4Interface(segment.address)
    if not _NAME.fullmatch(segment.name):
        yield "name", f"expected letters, digits and hyphens, saw {segment.name!r}"
    if not 1 <= segment.vlan <= 4094:  # IEEE 802.1Q 9.6: 0 and 4095 are reserved
        yield "vlan", f"expected 1 to 4094, saw {segment.vlan}"
    if any(port < 1 for port in segment.ports):
        yield "ports", f"expected port numbers from 1, saw {segment.ports}"
    first, last = IPv4Address(segment.dhcp.first), IPv4Address(segment.dhcp.last)
    if first > last or first not in interface.network or last not in interface.network:
        yield "dhcp", f"expected a range within {interface.network}, saw {first} to {last}"
    if first <= interface.ip <= last:
        yield "dhcp", f"the range {first} to {last} holds the router's own address {interface.ip}"
    if segment.dhcp.lease_s < 120:  # dnsmasq(8), --dhcp-range: the minimum is two minutes
        yield "dhcp.lease_s", f"expected at least 120, saw {segment.dhcp.lease_s}"


def _check_tunnel(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    tunnel = config.tunnel
    if not _HOST.fullmatch(tunnel.gateway):
        yield "tunnel.gateway", f"expected a name or an address, saw {tunnel.gateway!r}"
    for key, identity in (("local_id", tunnel.local_id), ("remote_id", tunnel.remote_id)):
        if not _IDENTITY.fullmatch(identity):
            yield f"tunnel.{key}", f"expected an identity, saw {identity!r}"
    for text in (*tunnel.local_subnets, *tunnel.remote_subnets):
        IPv4Network(text)
    for key in ("ike_proposals", "esp_proposals", "local_subnets", "remote_subnets"):
        if not getattr(tunnel, key):
            yield f"tunnel.{key}", "expected at least one, saw none"
    try:
        for proposal in tunnel.esp_proposals:
            parse_suite(proposal)
    except SuiteError as error:
        yield "tunnel.esp_proposals", str(error)
    yield from _check_credentials(config)


def _check_credentials(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    tunnel = config.tunnel
    if tunnel.method == "psk" and not tunnel.psk:
        yield "tunnel.psk", "expected a key for method psk, saw none"
    if tunnel.method == "certificate" and not (tunnel.certificate_pem and tunnel.key_pem and tunnel.remote_ca_pem):
        yield "tunnel", "method certificate needs certificate_pem, key_pem and remote_ca_pem"


def _check_access(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    places = PLACES | {segment.name for segment in config.segments}
    administration, monitoring = config.administration, config.monitoring
    if administration is not None:
        yield from _check_administration(administration, places)
    if monitoring is not None:
        yield from _check_monitoring(monitoring, places)


def _check_administration(administration: Administration, places: frozenset[str]) -> Iterator[tuple[str, str]]:
    if not _USER.fullmatch(administration.user) or administration.user in ("root", "sshd"):
        yield "administration.user", f"expected an account of its own, saw {administration.user!r}"
    for key in administration.public_keys:
        if not _KEY.fullmatch(key.strip()):
            yield "administration.public_keys", f"expected an OpenSSH public key, saw {key[:20]!r}..."
    for place in set(administration.reach_from) - places:
        yield "administration.reach_from", f"expected a segment or hq, saw {place!r}"
    yield from check_log_ins(administration)


def _check_monitoring(monitoring: Monitoring, places: frozenset[str]) -> Iterator[tuple[str, str]]:
    for place in set(monitoring.reach_from) - places:
        yield "monitoring.reach_from", f"expected a segment or hq, saw {place!r}"
    if not _LINE.fullmatch(monitoring.location) or not _LINE.fullmatch(monitoring.contact):
        yield "monitoring", "location and contact: expected one line without quotes or backslashes"
    for oid in monitoring.views:
        if not _OID.fullmatch(oid):
            yield "monitoring.views", f"expected object identifiers in dotted form, saw {oid!r}"
    for user in monitoring.users:
        if not _USER.fullmatch(user.name.lower()):
            yield "monitoring.users", f"expected a user name, saw {user.name!r}"
        if not all(len(key) >= LEAST_SNMP_KEY and _LINE.fullmatch(key) for key in (user.auth_key, user.priv_key)):
            yield (
                "monitoring.users",
                f"{user.name}: keys need {LEAST_SNMP_KEY} characters (RFC 3414 11.2) in one line, without quotes or "
                "backslashes",
            )


def _check_web_filter(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    control = config.web_filter
    if control is None:
        return
    for name in set(control.segments) - {segment.name for segment in config.segments}:
        yield "web_filter.segments", f"expected a segment, saw {name!r}"
    for name in [name for category in control.blocked for name in category.names]:
        if not _HOST.fullmatch(name.removeprefix(".")):
            yield "web_filter.blocked", f"expected a name, saw {name!r}"
    for host in control.encrypted_resolvers:
        if not _HOST.fullmatch(host):
            yield "web_filter.encrypted_resolvers", f"expected a name or an address, saw {host!r}"


def _check_inspection(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    names = {segment.name for segment in config.segments}
    for section, control in (("applications", config.applications), ("threats", config.threats)):
        if control is not None:
            for name in set(control.segments) - names:
                yield f"{section}.segments", f"expected a segment, saw {name!r}"
    for index, application in enumerate(config.applications.allowed if config.applications else ()):
        where = f"applications.allowed[{index}]"
        for service in application.open:
            if not _SERVICE.fullmatch(service) or int(service.partition("/")[2] or 1) > 65535:
                yield f"{where}.open", f"expected any, icmp, tcp/PORT or udp/PORT, saw {service!r}"
        for name in application.names:
            if not _HOST.fullmatch(name.removeprefix(".")):
                yield f"{where}.names", f"expected a name, saw {name!r}"


def _check_servers(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    for server in config.name_servers:
        IPv4Address(server)
    yield from check_logs(config)


def _check_qos(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    if (qos := config.qos) is None:
        return
    marks = [mark for one in qos.classes for mark in one.dscp]
    if not 1 <= len(qos.classes) <= MOST_CLASSES:
        yield "qos.classes", f"expected 1 to {MOST_CLASSES}, saw {len(qos.classes)}"
    if len(marks) != len(set(marks)):
        yield "qos.classes", f"a code point can be in one class only, saw {', '.join(marks)}"
    if sum(one.guaranteed_bps for one in qos.classes) > qos.uplink_bps:
        yield "qos.classes", f"the guarantees together are more than the uplink's {qos.uplink_bps} bit/s"
    for index, one in enumerate(qos.classes):
        if not one.dscp:
            yield f"qos.classes[{index}].dscp", "expected at least one code point, saw none"
        if not LEAST_RATE_BPS <= one.guaranteed_bps <= one.ceiling_bps <= qos.uplink_bps:
            rates = f"{one.guaranteed_bps}, {one.ceiling_bps}, {qos.uplink_bps}"
            yield f"qos.classes[{index}]", f"expected {LEAST_RATE_BPS} <= guarantee <= ceiling <= uplink, saw {rates}"
    for name in set(qos.trusted) - {segment.name for segment in config.segments}:
        yield "qos.trusted", f"expected segments, saw {name!r}"
