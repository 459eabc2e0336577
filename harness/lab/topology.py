"""The topology as records, narrowed and renamed for a run. Layer: lab, pure.

Services, networks and volumes keep their names of the file in every record; what the engine calls them stands beside
it (`engine_name`).

Not here: reading the file (compose_file.py), the engine (engine.py), which nodes a plan needs (docker_lab.py).
"""

from __future__ import annotations

import hashlib
import ipaddress
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

POOL = ipaddress.IPv4Network("198.19.0.0/16")
"""Nominal subnets of runs: the upper half of RFC 2544's benchmarking block. The stand-ins use the lower half."""
BY_HAND = ipaddress.IPv4Network("198.19.0.0/24")
"""Where compose/lab.yaml's own subnets lie; runs keep out of it, so that a lab by hand can run beside them."""
SUBNET_PREFIX = 28
BRIDGE_NAME_MAX = 15
"""Linux IFNAMSIZ is 16 with the ending NUL (if.h)."""
BRIDGE_OPTION = "com.docker.network.bridge.name"


@dataclass(frozen=True, slots=True)
class Attachment:
    """A service's end of a network. `address` is the engine's nominal one; `mac` is derived from it."""

    network: str
    address: str

    @property
    def mac(self) -> str:
        """The MAC that the engine gives a static IPv4 address: 02:42 and the address's four octets."""
        return derive_mac(self.address)


@dataclass(frozen=True, slots=True)
class Device:
    outside: str
    inside: str
    permissions: str


@dataclass(frozen=True, slots=True)
class Mount:
    volume: str
    target: str


@dataclass(frozen=True, slots=True)
class SecretUse:
    source: str
    target: str


@dataclass(frozen=True, slots=True)
class Service:
    name: str
    engine_name: str
    image: str
    command: tuple[str, ...] | None
    network_mode: str | None
    attachments: tuple[Attachment, ...]
    cap_add: tuple[str, ...]
    cap_drop: tuple[str, ...]
    security_opt: tuple[str, ...]
    read_only: bool
    stdin_open: bool
    dns: tuple[str, ...]
    devices: tuple[Device, ...]
    tmpfs: tuple[str, ...]
    sysctls: Mapping[str, str]
    mounts: tuple[Mount, ...]
    secrets: tuple[SecretUse, ...]
    depends_on: tuple[str, ...]
    stop_grace_s: float

    def find_attachment(self, network: str) -> Attachment | None:
        """Return the service's end of a network, or None."""
        return next((a for a in self.attachments if a.network == network), None)


@dataclass(frozen=True, slots=True)
class Network:
    name: str
    engine_name: str
    driver: str
    driver_opts: Mapping[str, str]
    subnet: str

    @property
    def bridge(self) -> str:
        """The name of the network's bridge on the engine's host."""
        return self.driver_opts[BRIDGE_OPTION]


@dataclass(frozen=True, slots=True)
class Volume:
    name: str
    engine_name: str


@dataclass(frozen=True, slots=True)
class Topology:
    """`secrets`: name to the path of its file as written, after interpolation."""

    services: Mapping[str, Service]
    networks: Mapping[str, Network]
    volumes: Mapping[str, Volume]
    secrets: Mapping[str, str]


def derive_mac(address: str) -> str:
    """Return 02:42 and the four octets of an IPv4 address, as Docker Engine up to 27 derives it by itself."""
    return "02:42:" + ":".join(f"{octet:02x}" for octet in ipaddress.IPv4Address(address).packed)


def select_services(topology: Topology, wanted: Iterable[str], drop_networks: Iterable[str] = ()) -> Topology:
    """Return the topology with only some services, and only the networks that two of them or more share.

    Host-network services (the one-shot bridge container) are kept, and told only of the bridges that remain.
    """
    keep = set(wanted) | {s.name for s in topology.services.values() if s.network_mode == "host"}
    services = {name: s for name, s in topology.services.items() if name in keep}
    ends = [a.network for s in services.values() for a in s.attachments]
    linked = {name for name in topology.networks if ends.count(name) > 1} - set(drop_networks)
    gone = {n.bridge for n in topology.networks.values() if n.name not in linked}
    narrowed = {
        name: replace(
            s,
            attachments=tuple(a for a in s.attachments if a.network in linked),
            depends_on=tuple(d for d in s.depends_on if d in services),
            command=None if s.command is None else tuple(word for word in s.command if word not in gone),
        )
        for name, s in services.items()
    }
    used = {m.volume for s in services.values() for m in s.mounts}
    return Topology(
        services=narrowed,
        networks={name: n for name, n in topology.networks.items() if name in linked},
        volumes={name: v for name, v in topology.volumes.items() if name in used},
        secrets=topology.secrets,
    )


def for_run(topology: Topology, run_id: str, subnets: Mapping[str, str]) -> Topology:
    """Return the topology under a run's own names, bridge names and nominal subnets (network name to CIDR).

    Each attachment keeps its place within its subnet.
    """
    bridges = {n.bridge: name_bridge(run_id, n.name) for n in topology.networks.values()}
    networks = {
        name: replace(
            n,
            engine_name=f"bp-{run_id}-{name}",
            subnet=subnets[name],
            driver_opts={**n.driver_opts, BRIDGE_OPTION: bridges[n.bridge]},
        )
        for name, n in topology.networks.items()
    }
    services = {
        name: replace(
            s,
            engine_name=f"bp-{run_id}-{name}",
            attachments=tuple(_move(a, topology.networks[a.network].subnet, subnets[a.network]) for a in s.attachments),
            command=None if s.command is None else tuple(bridges.get(word, word) for word in s.command),
        )
        for name, s in topology.services.items()
    }
    volumes = {name: replace(v, engine_name=f"bp-{run_id}-{name}") for name, v in topology.volumes.items()}
    return Topology(services, networks, volumes, topology.secrets)


def name_kept(run_id: str) -> Volume:
    """Return the volume that marks a run's lab as left up."""
    return Volume("kept", f"bp-{run_id}-kept")


def name_bridge(run_id: str, network: str) -> str:
    """Return a bridge name of at most 15 characters, the run's own: ``bp``, eight hex digits of both names' hash, and
    as much of the network's name as fits (for people)."""
    digest = hashlib.sha256(f"{run_id}/{network}".encode()).hexdigest()[:8]
    return f"bp{digest}{network}"[:BRIDGE_NAME_MAX]


def choose_subnets(networks: Iterable[str], taken: Iterable[str], start: int) -> dict[str, str]:
    """Return a free nominal subnet for each network, none overlapping `taken` (CIDRs; IPv6 ones do not matter).

    `start` says where in the pool to begin looking: runs side by side take different ones, so that they rarely clash.
    Raises: ValueError when the pool is used up.
    """
    busy = [n for n in map(ipaddress.ip_network, taken) if isinstance(n, ipaddress.IPv4Network)]
    busy.append(BY_HAND)
    pool = list(POOL.subnets(new_prefix=SUBNET_PREFIX))
    turned = pool[start % len(pool) :] + pool[: start % len(pool)]
    free = (subnet for subnet in turned if not any(subnet.overlaps(b) for b in busy))
    chosen = {}
    for network in networks:
        subnet = next(free, None)
        if subnet is None:
            raise ValueError(f"no free /{SUBNET_PREFIX} is left in {POOL}")
        chosen[network] = str(subnet)
    return chosen


def _move(attachment: Attachment, old: str, new: str) -> Attachment:
    host = int(ipaddress.IPv4Address(attachment.address)) - int(ipaddress.IPv4Network(old).network_address)
    moved = ipaddress.IPv4Network(new)[host]
    return replace(attachment, address=str(moved))
