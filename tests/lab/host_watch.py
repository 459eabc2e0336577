"""Counts packets of the bench's addresses on the engine host's interfaces, from a container in the host's network.

One tcpdump an interface, with one filter for all. Not watched: bridges of lab networks (any engine network but the
default one), where the bench's packets belong; veth ends, which are containers' cables (what comes out of one goes on
to its bridge or into the host, and leaves by an interface that is watched); interfaces that are down.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterable, Sequence

from lab_nodes import HARDENED, Bench, docker

BENCH_NETWORKS = ("198.18.0.0/15", "100.64.0.0/10")  # RFC 2544 (as in RFC 6890 table 12), RFC 6598
START_TIMEOUT_S = 20.0
SETTLE_S = 0.5  # tcpdump in immediate mode writes at once; this is for the scheduler


def build_filter(networks: Iterable[str]) -> str:
    """Return the filter (pcap-filter(7)); ``net`` also matches ARP for such an address."""
    return " or ".join(f"net {network}" for network in networks)


def lab_bridges() -> set[str]:
    """Return the bridges of every engine network but the default one."""
    bridges = set()
    for network in docker("network", "ls", "-q", "--filter", "driver=bridge").split():
        try:
            (found,) = json.loads(docker("network", "inspect", network))
        except RuntimeError as error:
            if "not found" not in str(error):
                raise
            continue  # another run has removed it since it was listed
        if found["Name"] == "bridge":
            continue
        bridges.add(found["Options"].get("com.docker.network.bridge.name") or f"br-{found['Id'][:12]}")
    return bridges


def host_interfaces(bench: Bench) -> list[dict]:
    return json.loads(bench.one_shot("ip", "-d", "-j", "addr"))


def other_interfaces(bench: Bench) -> list[str]:
    """Return the host's interfaces that are up and no lab's own.

    Looks until two looks agree: while another run comes or goes, its bridge and its network are not there as one.
    """
    deadline = time.monotonic() + START_TIMEOUT_S
    last = None
    while (found := _look(bench)) != last:
        if time.monotonic() > deadline:
            raise RuntimeError(f"the host's interfaces do not come to rest: {last}, then {found}")
        last = found
    return found


def _look(bench: Bench) -> list[str]:
    before = lab_bridges()
    interfaces = host_interfaces(bench)
    labs = before | lab_bridges()  # other runs may come and go meanwhile
    names = []
    for item in interfaces:
        is_cable = item.get("linkinfo", {}).get("info_kind") == "veth"
        if "UP" in item["flags"] and "LOOPBACK" not in item["flags"] and not is_cable and item["ifname"] not in labs:
            names.append(item["ifname"])
    return names


def default_interfaces(bench: Bench) -> set[str]:
    """Return the interfaces of the host's default routes."""
    return {route["dev"] for route in json.loads(bench.one_shot("ip", "-j", "route", "show", "default"))}


class HostWatch:
    """Watches interfaces from `start` to `close`; `count` says what was seen so far."""

    def __init__(self, interfaces: Sequence[str], networks: Iterable[str], prefix: str) -> None:
        self.interfaces, self._filter, self._name = list(interfaces), build_filter(networks), f"{prefix}-watch"

    def start(self) -> HostWatch:
        """Return once every tcpdump listens."""
        script = (
            'for i in "$@"; do tcpdump -Z root -U --immediate-mode -n -i "$i" -w "/tmp/$i.pcap" "$FILTER" & done; wait'
        )
        caps = ["--cap-add", "NET_RAW", "--cap-add", "SETUID", "--cap-add", "SETGID", "--tmpfs", "/tmp"]
        where = ["--network", "host", "--name", self._name, "--env", f"FILTER={self._filter}"]
        docker("run", "-d", "--init", *where, *HARDENED, *caps, "branchproof/base:bench", "sh", "-c", script, "sh",
               *self.interfaces)  # fmt: skip
        deadline = time.monotonic() + START_TIMEOUT_S
        while len(re.findall("listening on ", self._log())) < len(self.interfaces):
            if time.monotonic() > deadline or self._state() != "running":
                log = self._log()
                self.close()
                raise RuntimeError(f"expected tcpdump to listen on {self.interfaces}, saw:\n{log}")
            time.sleep(0.1)
        return self

    def _log(self) -> str:
        return docker("logs", self._name, check=False)

    def _state(self) -> str:
        return docker("inspect", "-f", "{{.State.Status}}", self._name)

    def count(self) -> dict[str, list[str]]:
        """Return interface to the packets seen there (tcpdump's own words). Raises where a tcpdump has ended."""
        time.sleep(SETTLE_S)
        running = docker("exec", self._name, "sh", "-c", "cat /proc/[0-9]*/comm").split().count("tcpdump")
        if running != len(self.interfaces):
            raise RuntimeError(f"expected {len(self.interfaces)} captures to run, saw {running}:\n{self._log()}")
        seen = {}
        for interface in self.interfaces:
            read = ["tcpdump", "-Z", "root", "-n", "-e", "-r", f"/tmp/{interface}.pcap"]
            lines = docker("exec", self._name, *read).splitlines()
            seen[interface] = [line for line in lines if not line.startswith("reading from file")]
        return seen

    def close(self) -> None:
        docker("rm", "-f", self._name, check=False)
