"""Builds a run's networks, volumes and containers, as much at once as their order allows. Layer: lab, I/O, threads.

The order: networks one by one, since the engine makes them so whatever the number of callers; a container as soon as
its own networks are there, first those whose last network comes first; the one in the host's network when all are. A
subnet that another run took meanwhile is replaced by a free one.

Measured on two idle cores with Engine 20.10: a network 65 ms; creating a container 10 ms; starting one 230 ms (80 ms of
it in the host's network, 170 ms with none: the rest is the engine's own work for namespace, resolver and link); ten
starts 1.9 s. So starts set the time.

Not here: names (topology.py), calls (engine.py), what runs later (containers.py).
"""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Protocol

from harness.errors import LabError
from harness.lab.engine import Engine, SubnetTaken
from harness.lab.topology import Network, Topology, choose_subnets, for_run

WORKERS = 4
"""Containers that start at once. Two cores are full with two or three; many at once only all end late."""
SUBNET_TRIES = 20


class Nodes(Protocol):
    """Containers of a run by node, made or in the making."""

    nodes: dict[str, Future[str]]

    def start_late(self) -> None: ...

    def close(self) -> None: ...


class Standing:
    """The containers of a lab that was left up: nothing is in the making."""

    def __init__(self, containers: Mapping[str, str]) -> None:
        self.nodes: dict[str, Future[str]] = {}
        for node, container in containers.items():
            self.nodes[node] = Future()
            self.nodes[node].set_result(container)

    def start_late(self) -> None:
        """All were started."""

    def close(self) -> None:
        """Nothing is under way."""


class Assembly:
    """One run's resources in the making. `on_container(name, id)` is called before a container starts (to attach).

    Those in `late` are only begun by `start_late`.
    """

    def __init__(
        self,
        engine: Engine,
        topology: Topology,
        run_id: str,
        labels: Mapping[str, str],
        *,
        late: frozenset[str] = frozenset(),
        on_container: Callable[[str, str], None],
    ) -> None:
        self._engine, self._base, self._run_id, self._labels = engine, topology, run_id, labels
        self._on_container = on_container
        self._lock = threading.Lock()
        self._start_at = random.randrange(1 << 16)  # so that runs side by side seldom choose the same subnet
        self._subnets = choose_subnets(topology.networks, engine.list_subnets(), self._start_at)
        hosts = [s.name for s in topology.services.values() if s.network_mode == "host"]
        names = _by_last_network(topology)
        self._late = [name for name in names if name in late]
        # Networks have a thread of their own: the engine makes them one by one anyway, and so the first is there early.
        self._links = ThreadPoolExecutor(1, thread_name_prefix="networks")
        self._pool = ThreadPoolExecutor(WORKERS + len(hosts), thread_name_prefix="containers")
        self._volumes = {name: self._links.submit(self._make_volume, name) for name in topology.volumes}
        self._networks = {name: self._links.submit(self._make_network, name) for name in topology.networks}
        self.hosts = {name: self._pool.submit(self._make_host, name) for name in hosts}
        self.nodes: dict[str, Future[str]] = {
            name: self._pool.submit(self._make_node, name) for name in names if name not in late
        }

    def wait_networks(self) -> Topology:
        """Block until every network is there; return the topology under the run's own names. Raises: LabError."""
        for future in self._networks.values():
            future.result()
        return self._topology()

    def start_late(self) -> None:
        """Begin with the containers that were named late; once."""
        names, self._late = self._late, []
        for name in names:
            self.nodes[name] = self._pool.submit(self._make_node, name)

    def close(self) -> None:
        """Cancel what has not begun, wait for what has. Safe to call twice."""
        for pool in (self._links, self._pool):
            pool.shutdown(wait=True, cancel_futures=True)

    def _topology(self) -> Topology:
        with self._lock:
            return for_run(self._base, self._run_id, dict(self._subnets))

    def _make_network(self, name: str) -> None:
        for _ in range(SUBNET_TRIES):
            network: Network = self._topology().networks[name]
            try:
                self._engine.create_network(network, self._labels)
                return
            except SubnetTaken:
                taken = self._engine.list_subnets()
                with self._lock:
                    self._start_at += 1 + random.randrange(256)
                    mine = [subnet for other, subnet in self._subnets.items() if other != name]
                    self._subnets |= choose_subnets([name], [*taken, *mine, network.subnet], self._start_at)
        raise LabError(
            expected="a subnet that no other run takes first",
            seen=f"{SUBNET_TRIES} of them taken",
            where=f"network {name}",
            hint="start fewer runs at the same time, or clean up: branchproof sweep",
        )

    def _make_volume(self, name: str) -> None:
        self._engine.create_volume(self._topology().volumes[name], self._labels)

    def _make(self, name: str) -> str:
        service = self._base.services[name]
        for mount in service.mounts:
            self._volumes[mount.volume].result()
        for end in service.attachments:
            self._networks[end.network].result()
        topology = self._topology()  # only now are this service's subnets settled
        container = self._engine.create_container(topology.services[name], topology, self._labels)
        self._on_container(name, container)
        return container

    def _make_node(self, name: str) -> str:
        container = self._make(name)
        self._engine.start(container)
        return container

    def _make_host(self, name: str) -> str:
        self.wait_networks()
        return self._make_node(name)


def _by_last_network(topology: Topology) -> list[str]:
    """Return the containers in the order in which their networks will be there: so none holds a worker for nothing."""
    place = {name: index for index, name in enumerate(topology.networks)}
    nodes = [s for s in topology.services.values() if s.network_mode != "host"]
    nodes.sort(key=lambda s: max((place[end.network] for end in s.attachments), default=0))
    return [s.name for s in nodes]
