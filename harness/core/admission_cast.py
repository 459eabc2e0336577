"""Who tries to get in at each port: the cast of the proof of admission. Layer: core, pure.

The lab hands out what each needs (credentials, addresses), the check says what must come of it; this is what the two
have in common. A *client* is the stand-in at a port, and its own device the right one there; the others of the cast are
devices behind the same port, each with an address of its own.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from emulators.common.controls import Admission
from harness.core.model import Plan
from harness.core.sections import Segment

CLIENTS: Final = 4  # lan1..lan4 of compose/lab.yaml
METHODS: Final = ("tls", "peap")
Right = Literal["in", "out", "nothing"]
"""What a device is due: its segment; what becomes of those who fail; nothing at all."""


@dataclass(frozen=True, slots=True)
class Device:
    """`mac` None: the client itself. `credential`: a name of the client's seed; None: it does not authenticate.
    `starts`: it begins 802.1X (EAPOL-Start) and goes no further."""

    name: str
    due: Right
    mac: str | None
    credential: str | None
    text: str
    starts: bool = False


@dataclass(frozen=True, slots=True)
class Port:
    """A port with a client, and who tries to get in there. `newcomer` and `returner` come later, while the RADIUS
    server is away and when it is back; None where none is asked."""

    client: str
    number: int
    segment: Segment
    devices: tuple[Device, ...]
    newcomer: Device | None = None
    returner: Device | None = None


def list_ports(plan: Plan) -> tuple[Port, ...]:
    """Return each port of a segment that has a client."""
    return tuple(
        _build_port(segment, port) for segment in plan.branch.segments for port in segment.ports if port <= CLIENTS
    )


def find_own_mac(segment: Segment, port: int) -> str | None:
    """Return the listed address that the client at a port bears; None for the one it has."""
    macs, place = segment.admission.macs, segment.ports.index(port)
    return macs[place] if segment.admission.method == "mac" and place < len(macs) else None


def find_unlisted(macs: tuple[str, ...]) -> str:
    """Return an address that is not on the list, but next to one that is."""
    head, last = macs[-1][:-2], int(macs[-1][-2:], 16)
    return next(mac for step in range(1, 256) if (mac := f"{head}{(last + step) % 256:02x}") not in macs)


def find_address(segment: Segment, index: int) -> str:
    """Return a host address of the segment for the device of that number: from the top, outside of the DHCP range where
    there is room."""
    network, router = ipaddress.IPv4Interface(segment.address).network, segment.address.partition("/")[0]
    first, last = ipaddress.IPv4Address(segment.dhcp.first), ipaddress.IPv4Address(segment.dhcp.last)
    hosts = [host for host in reversed(list(network.hosts())) if str(host) != router]
    free = [host for host in hosts if not first <= host <= last] or hosts
    return str(free[index % len(free)])


def _build_port(segment: Segment, port: int) -> Port:
    admission, client = segment.admission, f"client{port}"
    macs = _macs(port)
    own = Device("own", "in", None, None, "the right device")
    if admission.method == "open":
        return Port(client, port, segment, (own, Device("anybody", "in", next(macs), None, "a device nobody knows")))
    if admission.method == "mac":
        return Port(client, port, segment, tuple(_list_by_mac(segment, port, own)))
    credential = f"right_{admission.eap[0]}"
    return Port(
        client,
        port,
        segment,
        (own, *_list_by_credential(admission, macs)),
        newcomer=Device("newcomer", "in", next(macs), credential, "a new right device"),
        returner=Device("returner", "in", next(macs), credential, "a new right device"),
    )


def _list_by_mac(segment: Segment, port: int, own: Device) -> Iterator[Device]:
    macs, own_mac = segment.admission.macs, find_own_mac(segment, port)
    if own_mac is not None:
        yield own
    for index, mac in enumerate(macs[len(segment.ports) :][:3]):
        yield Device(f"listed{index}", "in", mac, None, f"the listed device {mac}")
    yield Device("unlisted", "out", find_unlisted(macs), None, "a device that is not listed")


def _list_by_credential(admission: Admission, macs: Iterator[str]) -> Iterator[Device]:
    texts = {"tls": "a device with a certificate of another authority", "peap": "a device with a wrong password"}
    for method in METHODS:
        right, name = f"right_{method}", method.upper()
        if method not in admission.eap:
            yield Device(right, "out", next(macs), right, f"a device that is right but comes by EAP-{name}")
            continue
        if method != admission.eap[0]:
            yield Device(right, "in", next(macs), right, f"a second right device, by EAP-{name}")
        yield Device(f"wrong_{method}", "out", next(macs), f"wrong_{method}", texts[method])
    yield Device("silent", "nothing", next(macs), None, "a device that does not authenticate")
    yield Device("halfway", "nothing", next(macs), None, "a device that begins 802.1X and goes no further", starts=True)


def _macs(port: int) -> Iterator[str]:
    """Locally administered addresses (IEEE 802: the second lowest bit of the first octet)."""
    return (f"02:5b:ad:00:{port:02x}:{number:02x}" for number in range(1, 256))
