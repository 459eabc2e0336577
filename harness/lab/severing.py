"""Cuts a dead container's links on the engine's host, and moves a living one's to another. Layer: lab, I/O.

A network namespace outlives its last process for as long as any other process has a mount of it (containers being
started at that moment do); until then its kernel answers pings, and forwards, for the dead node: 10 ms to 1.1 s were
seen with two busy cores. The engine leaves the links to that (seen with links that the node renamed) and cannot tell
when they are gone. So the host's end of each is deleted, by a one-shot container in the host's network, made like
the topology's own there; a port is known by the MAC that the bridge learnt on it.

A link that is moved is down for a moment: its node sees that the cable was out.

Not here: the power cut as a whole (containers.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from harness.errors import LabError
from harness.lab.engine import Engine, Resource
from harness.lab.topology import Topology

EXIT_S = 60
SCRIPT = """
for pair in "$@"; do
  bridge fdb show br "${pair%%,*}" | while read -r mac _ device _; do
    if [ "$mac" = "${pair#*,}" ]; then ip link delete dev "$device" 2>/dev/null || true; fi
  done
done
"""

MOVE_SCRIPT = """
mac="$1" into="$2"; shift 2
moved=$(for bridge in "$@"; do
  bridge fdb show br "$bridge" | while read -r seen _ device _; do
    if [ "$seen" = "$mac" ] && ip link set dev "$device" down; then
      sleep 1  # a hand is no faster, and a device may look for its carrier this seldom
      ip link set dev "$device" master "$into" && ip link set dev "$device" up && echo "$device"
    fi
  done
done)
[ -n "$moved" ]
"""


def sever_links(engine: Engine, topology: Topology, node: str, labels: Mapping[str, str]) -> None:
    """Delete the host's end of each link of a node that has ended. Raises: LabError."""
    ends = topology.services[node].attachments
    pairs = (f"{topology.networks[end.network].bridge},{end.mac}" for end in ends)
    _run_on_host(engine, topology, labels, ("sever", SCRIPT, *pairs))


def plug_link(engine: Engine, topology: Topology, end: tuple[str, str], into: str, labels: Mapping[str, str]) -> None:
    """Plug the cable of a node's link (`end`) into another link, or back into its own. Raises: LabError, too where the
    node has not been heard on the link: then nobody knows which end is its."""
    node, link = end
    mac = next(one.mac for one in topology.services[node].attachments if one.network == link)
    bridges = sorted(network.bridge for network in topology.networks.values())
    _run_on_host(engine, topology, labels, ("plug", MOVE_SCRIPT, mac, topology.networks[into].bridge, *bridges))


def _run_on_host(engine: Engine, topology: Topology, labels: Mapping[str, str], call: tuple[str, ...]) -> None:
    """Run a script in the host's network; `call`: what for, the script, its arguments."""
    template = next((s for s in topology.services.values() if s.network_mode == "host"), None)
    if template is None:
        raise LabError(
            expected="a service in the host's network", seen="none", where="topology",
            hint="the topology needs one, as compose/lab.yaml has `bridges`",
        )  # fmt: skip
    what, script, *words = call
    name = f"{template.engine_name}-{what}"
    container = engine.create_container(
        replace(template, engine_name=name, command=("sh", "-c", script, what, *words)), topology, labels
    )
    engine.start(container)
    code = engine.wait_exit(container, EXIT_S)
    engine.remove(Resource("container", container, name, labels))
    if code:
        raise LabError(
            expected="exit code 0", seen=f"exit code {code}", where=f"one-shot container {name}",
            hint="it needs iproute2 in its image and NET_ADMIN in the engine host's network",
        )  # fmt: skip
