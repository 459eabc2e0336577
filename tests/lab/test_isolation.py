"""No packet leaves the lab: what the host's other interfaces see of the bench's addresses during a run is nothing.

The control sends packets of such addresses on a network that the test made, to a neighbour that does not exist there,
and watches that network's bridge by the same means: so the count is one that can be above zero. Nothing is ever sent to
an address outside of such a network.
"""

from __future__ import annotations

import ipaddress
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest
from host_watch import BENCH_NETWORKS, HostWatch, default_interfaces, host_interfaces, lab_bridges, other_interfaces
from lab_nodes import BLOCKS, ROOT, Bench, docker

from harness.core.model import Plan
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile

pytestmark = [pytest.mark.lab, pytest.mark.alone]  # what the host sends of others' labs would be laid to its own

PROFILE = ROOT / "profiles" / "pier-kiosk.yaml"
RUN_TIMEOUT_S = 600.0
TAME = ("admission", "passwords", "lockout", "qos", "logs_of_events", "alerts")
"""Checks left out for their length; their packets go where those of others go, too. In are all that forge, scan and
sweep."""
CONTROL_COUNT = 3
NOBODY_MAC = "02:00:5e:00:53:63"  # locally administered; nobody's


@pytest.fixture
def bench():
    made = Bench()
    yield made
    made.close()


def load_plan(path: Path) -> Plan:
    loaded = load_profile(path)
    return compile_plan(loaded, next(iter(site_names(loaded))), "fast", None)


def bench_networks(plan: Plan) -> list[str]:
    """Return every network whose packets belong inside the lab."""
    branch = plan.branch
    segments = [str(ipaddress.IPv4Interface(s.address).network) for s in branch.segments]
    listed = [*BENCH_NETWORKS, *segments, *branch.tunnel.local_subnets, *branch.tunnel.remote_subnets]
    return sorted({str(ipaddress.IPv4Network(network)) for network in listed})


def refuse_overlap(bench: Bench, networks: Sequence[str]) -> None:
    """Where the host itself lives in one of the networks, its own packets could not be told from the bench's."""
    labs = lab_bridges()
    mine = [ipaddress.IPv4Interface(f"{a['local']}/{a['prefixlen']}") for i in host_interfaces(bench)
            if i["ifname"] not in labs for a in i["addr_info"] if a["family"] == "inet"]  # fmt: skip
    shared = [(str(m), n) for m in mine for n in networks if m.network.overlaps(ipaddress.IPv4Network(n))]
    assert not shared, f"this host's own addresses lie in the bench's networks: {shared}"


def send_controls(bench: Bench, network: str, source: str, destination: str) -> None:
    """Send echoes from an address of the bench to another that nobody has, on the test's own network."""
    script = f"""
        ip addr flush dev eth0 && ip addr add {source}/32 dev eth0 && ip link set eth0 up
        ip route replace {destination}/32 dev eth0 scope link
        ip neigh replace {destination} lladdr {NOBODY_MAC} dev eth0
        ip route del default 2>/dev/null
        ping -n -c {CONTROL_COUNT} -i 0.05 -W 0.2 {destination}
    """
    caps = ["--cap-drop", "ALL", "--cap-add", "NET_ADMIN", "--cap-add", "NET_RAW"]
    docker("run", "--rm", "--name", f"{bench.prefix}-control", "--network", network, *caps, "branchproof/base:bench",
           "sh", "-c", script, check=False)  # fmt: skip


def watch_command(bench: Bench, command: Sequence[str], plan: Plan) -> tuple[dict[str, list[str]], list[str], int]:
    """Run a command under watch. Returns what the host's other interfaces saw, what the control saw, the exit code.

    The control's packets are sent before and after the command: the watch must have seen both.
    """
    networks = bench_networks(plan)
    refuse_overlap(bench, networks)
    others = other_interfaces(bench)
    control = bench.network(f"{BLOCKS['isolation']}.0/28")
    bridge = docker("network", "inspect", "-f", '{{index .Options "com.docker.network.bridge.name"}}', control)
    inside = str(ipaddress.IPv4Network(plan.branch.tunnel.local_subnets[0])[9])
    watch = HostWatch([*others, bridge], networks, bench.prefix).start()
    try:
        send_controls(bench, control, "198.18.0.98", "100.64.0.99")
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=RUN_TIMEOUT_S)
        sys.stdout.write(f"{' '.join(command)}: exit {done.returncode}\n{done.stdout[-4000:]}{done.stderr[-4000:]}")
        send_controls(bench, control, inside, "198.18.0.99")
        seen = watch.count()
    finally:
        watch.close()
    return seen, seen.pop(bridge), done.returncode


def test_the_interfaces_watched_are_those_that_lead_out(bench):
    others = other_interfaces(bench)
    up = {i["ifname"] for i in host_interfaces(bench) if "UP" in i["flags"]}
    assert default_interfaces(bench) & up <= set(others)
    assert "docker0" in others or "docker0" not in up
    assert not set(others) & lab_bridges()


def test_the_count_sees_packets_where_there_are_some(bench):
    plan = load_plan(PROFILE)
    seen, control, code = watch_command(bench, ["true"], plan)
    echoes = [line for line in control if "ICMP echo request" in line]
    assert code == 0
    assert len(echoes) == 2 * CONTROL_COUNT
    assert sum("198.18.0.98 > 100.64.0.99" in line for line in echoes) == CONTROL_COUNT
    assert not any(seen.values()), seen


def test_no_packet_leaves_the_lab_during_a_run(bench, tmp_path):
    """The command may be given by BRANCHPROOF_RUN (a run started otherwise); it must prove the branch."""
    prove = [str(Path(sys.executable).with_name("branchproof")), "prove", str(PROFILE), "--out", str(tmp_path)]
    prove += ["--skip", *TAME]
    given = os.environ.get("BRANCHPROOF_RUN", "").split()
    seen, control, code = watch_command(bench, given or prove, load_plan(PROFILE))
    assert sum("ICMP echo request" in line for line in control) == 2 * CONTROL_COUNT
    assert code == 0, "the run did not prove the branch, so it did not show all of a run's packets"
    assert not any(seen.values()), seen
