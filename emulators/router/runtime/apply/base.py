"""What a part of the configuration is made of. Layer: router firmware, pure but for the types that it names.

A part turns one subject of the configuration into daemons: `render` is pure (configuration and situation to files'
text), `start` sets it going and returns how to refresh and to stop it. One part is one module in ``parts/`` holding
`PART`; it is found there by itself (parts/__init__.py).

Not here: the transaction (applier.py), the keeping of processes (emulators.common.supervise).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Interface
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol

from emulators.common.charon import cap_inner
from emulators.common.device_config import DeviceConfig, Segment
from emulators.common.esp_sizes import largest_inner, parse_suite
from emulators.common.swanctl import Means

if TYPE_CHECKING:
    from ..uplink_state import UplinkState

RADIO_LINK = "radio"
"""The modem's aerial: part of the hardware on the bench, and no interface of the router's own (see firewall.py)."""
DEFAULT_MTU_BYTES = 1358
"""Taken while no uplink says its own: what is left of 1500 at the far end of common mobile networks (3GPP TS 23.060
clause 9.3 and Annex C)."""

Files = Mapping[str, str]
"""Path to text. Every path is below /run: the root file system is read-only, as a device's is."""


Why = Literal["newer_release", "refused", "failed"]


class ApplyError(RuntimeError):
    """A configuration could not be applied. `section` is the part of the document to look at. `why`: this release does
    not know what the document asks for; knows it, and refuses it; or finds nothing wrong, and it will not run."""

    def __init__(self, section: str, reason: str, why: Why = "refused") -> None:
        self.section, self.reason, self.why = section, reason, why
        super().__init__(f"{section}: {reason}")


class Emitter(Protocol):
    """What a part needs of the node's console."""

    def emit(self, kind: str, /, **data: Any) -> None:
        """Write one event."""


@dataclass(frozen=True, slots=True)
class Situation:
    """What a renderer may use beside the configuration: how things stand outside it."""

    uplink: UplinkState | None
    means: Means
    tunnel_mtu: int
    """Largest inner packet of the tunnel, in bytes."""
    gateways: tuple[str, ...] = ()
    """Addresses that the gateway's name resolved to."""
    tunnel_up: bool = False


@dataclass(frozen=True, slots=True)
class Ground:
    """What a starter stands on. `change` tells the other parts that the situation is another (fields of Situation)."""

    console: Emitter
    flash_dir: Path
    on_tunnel: Callable[[bool], None]
    change: Callable[..., None]


def ignore_change(**_facts: Any) -> None:
    """Tell nobody: before a deployment put its own in place."""


def ignore_situation(_files: Files, _situation: Situation) -> None:
    """Refresh nothing: for parts that do not depend on the uplink."""


@dataclass(frozen=True, slots=True)
class Running:
    """A part that runs. `refresh` is called after the situation changed; `stop` undoes everything that start did."""

    stop: Callable[[], None]
    refresh: Callable[[Files, Situation], None] = field(default=ignore_situation)


@dataclass(frozen=True, slots=True)
class Part:
    """One subject of the configuration. Parts of one wave start side by side, waves one after the other."""

    name: str
    section: str
    """The document's section to blame when it cannot be started."""
    wave: int
    render: Callable[[DeviceConfig, Situation], Files]
    start: Callable[[DeviceConfig, Situation, Files, Ground], Running]


def bridge_of(segment: Segment) -> str:
    """Return the name of a segment's bridge."""
    return f"br{segment.vlan}"


def address_of(segment: Segment) -> str:
    """Return the router's own address in a segment, without prefix length."""
    return str(IPv4Interface(segment.address).ip)


def network_of(segment: Segment) -> str:
    """Return a segment's network in CIDR form."""
    return str(IPv4Interface(segment.address).network)


def find_tunnel_mtu(config: DeviceConfig, uplink: UplinkState | None, means: Means) -> int:
    """Return the largest packet that fits the tunnel whichever of the proposals is chosen. Raises: SuiteError."""
    mtu = DEFAULT_MTU_BYTES if uplink is None else uplink.mtu
    sizes = (largest_inner(mtu, parse_suite(text), in_udp=True) for text in config.tunnel.esp_proposals)
    return cap_inner(min(sizes), means)


def choose_name_servers(config: DeviceConfig, uplink: UplinkState | None) -> tuple[str, ...]:
    """Return the resolvers to ask: the configuration's, else those that came with the uplink."""
    return config.name_servers or (tuple(uplink.name_servers) if uplink is not None else ())
