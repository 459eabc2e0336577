"""The lab on the real engine: what it makes, how it breaks, what it leaves. Held against the docker command line and
the host's own `ip`, not against the code under test."""

from __future__ import annotations

import base64
import json
import os
import random
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bench_nodes import load_small, make_small_lab

from harness.core.model import Ask, Observation, PowerOn
from harness.errors import EngineError, LabError
from harness.lab.assembly import Assembly
from harness.lab.compose_file import load_topology
from harness.lab.containers import ContainerLab, Fetch
from harness.lab.engine import Engine, SubnetTaken
from harness.lab.owner import KEPT_LABEL, describe_self, make_labels
from harness.lab.removal import remove_labelled
from harness.lab.sweep import sweep
from harness.lab.topology import Volume, choose_subnets, for_run
from tests.lab.ghosts import owned

pytestmark = pytest.mark.lab
NS = 1_000_000_000


def docker(*args: str) -> str:
    return subprocess.run(["docker", *args], capture_output=True, text=True, check=True).stdout


def host_links() -> set[str]:
    """The engine host's interfaces (this host is the engine's: the tests need that)."""
    done = subprocess.run(["ip", "-j", "link"], capture_output=True, text=True, check=True)
    return {link["ifname"] for link in json.loads(done.stdout)}


def next_of(lab: ContainerLab, kind: str, within_s: float = 20.0) -> Observation:
    deadline_ns = time.monotonic_ns() + int(within_s * NS)
    while (seen := lab.wait_observation(deadline_ns)) is not None:
        if seen.kind == kind:
            return seen
    raise AssertionError(f"no {kind} within {within_s} s")


def ask(lab: ContainerLab, node: str, verb: str, **args: Any) -> Any:
    lab.perform(Ask(node, verb, args, "test"))
    seen = next_of(lab, "command.done")
    assert seen.data["ok"], seen.data["error"]
    return seen.data["result"]


def test_what_the_engine_was_asked_for_is_what_the_file_says() -> None:
    lab = make_small_lab("f1eng1")
    try:
        lab.start()
        seen = json.loads(docker("inspect", "bp-f1eng1-router", "bp-f1eng1-client1"))
        router, client = seen[0]["HostConfig"], seen[1]
        assert router["CapDrop"] == ["ALL"]
        assert sorted(c.removeprefix("CAP_") for c in router["CapAdd"]) == ["NET_ADMIN", "NET_RAW"]
        assert router["SecurityOpt"] == ["no-new-privileges:true"]
        assert router["ReadonlyRootfs"] and not router["Privileged"] and not router["PortBindings"]
        assert set(router["Tmpfs"]) == {"/run", "/tmp"}
        mounts = [(mount["Type"], mount["Source"], mount["Target"]) for mount in router["Mounts"]]
        assert mounts == [("volume", "bp-f1eng1-flash", "/flash")]
        assert all(node["State"]["Running"] for node in (*seen, client))
        labels = client["Config"]["Labels"]
        assert labels["branchproof.run"] == "f1eng1" and labels["branchproof.owner"] == describe_self().render()
        ends = client["NetworkSettings"]["Networks"]
        expected = lab.topology.services["client1"].attachments[0]
        assert ends["bp-f1eng1-lan1"]["IPAddress"] == expected.address
        assert ends["bp-f1eng1-lan1"]["MacAddress"] == expected.mac
    finally:
        lab.stop()
    assert owned("f1eng1") == []


def test_links_carry_traffic_and_the_host_is_deaf_on_them() -> None:
    lab = make_small_lab("f1eng2")
    try:
        lab.start()
        lab.perform(PowerOn())
        next_of(lab, "boot.started")
        assert ask(lab, "client1", "ping", target="198.18.0.2") == 0  # the router on lan1
        neighbours = ask(lab, "client1", "neighbours")
        end = lab.topology.services["router"].find_attachment("lan1")
        assert end is not None and neighbours["198.18.0.2"] == end.mac
        for network in lab.topology.networks.values():
            command = ["ip", "-j", "-d", "addr", "show", network.bridge]
            shown = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)[0]
            assert "NOARP" in shown["flags"] and shown["addr_info"] == []
            assert shown["linkinfo"]["info_data"]["group_fwd_mask"] in ("8", "0x8", 8)
        bridges = {n.bridge for n in lab.topology.networks.values()}
        assert bridges <= host_links()
    finally:
        lab.stop()
    assert not bridges & host_links()


def test_two_labs_side_by_side_do_not_meet() -> None:
    labs = [make_small_lab(f"f1eng3{letter}") for letter in "ab"]
    try:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda lab: lab.start(), labs))
        for lab in labs:
            lab.perform(PowerOn())
            next_of(lab, "boot.started")
            assert ask(lab, "client1", "ping", target="198.18.0.2") == 0
        labs[0].power_cut()
        assert ask(labs[0], "client1", "ping", target="198.18.0.2") != 0, "the other lab's router answered"
        labs[0].stop()
        assert ask(labs[1], "client1", "ping", target="198.18.0.2") == 0
    finally:
        for lab in labs:
            lab.stop()


class Blind(Engine):
    """An engine whose first look shows no networks at all: as if the others had been made just after it."""

    looks = 0

    def list_subnets(self) -> tuple[str, ...]:
        self.looks += 1
        return () if self.looks == 1 else super().list_subnets()


@pytest.mark.alone  # the subnets that it has chosen beforehand must be free
def test_a_subnet_taken_by_another_run_is_replaced(tmp_path: Path) -> None:
    """The race: another run's network lands between our look and our call."""
    engine, blind = Engine(), Blind()
    labels = make_labels("f1eng4", describe_self(), time.time())
    topology = load_small(tmp_path)
    chance = random.getstate()
    random.seed(4)
    wanted = choose_subnets(["radio", "lan1"], [], random.randrange(1 << 16))  # what Assembly will choose, seeded so
    squatter = for_run(topology, "f1eng4x", wanted).networks["lan1"]
    try:
        engine.create_network(squatter, labels)
        other = for_run(topology, "f1eng4y", wanted).networks["lan1"]
        with pytest.raises(SubnetTaken):
            engine.create_network(other, labels)
        random.seed(4)
        assembly = Assembly(blind, topology, "f1eng4", labels, on_container=_ignore)
        named = assembly.wait_networks()
        for future in assembly.nodes.values():
            future.result()
        assembly.close()
        assert named.networks["radio"].subnet == wanted["radio"]
        assert named.networks["lan1"].subnet != wanted["lan1"]
        made = json.loads(docker("network", "inspect", "bp-f1eng4-lan1"))[0]["IPAM"]["Config"]
        assert [pool["Subnet"] for pool in made] == [named.networks["lan1"].subnet]
        end = json.loads(docker("inspect", "bp-f1eng4-client1"))[0]["NetworkSettings"]["Networks"]["bp-f1eng4-lan1"]
        assert end["IPAddress"] == named.services["client1"].attachments[0].address
    finally:
        random.setstate(chance)
        assert remove_labelled(engine, "branchproof.run=f1eng4") == ()
        blind.close()
        engine.close()


class Forgetful(Engine):
    """An engine that has lost a volume by the time its container is made: as where a sweep had just removed it."""

    def create_volume(self, volume: Volume, labels: Mapping[str, str]) -> None: ...


def test_a_volume_that_the_engine_makes_anew_goes_with_the_run(tmp_path: Path) -> None:
    engine = Forgetful()
    labels = make_labels("f1eng9", describe_self(), time.time())
    try:
        assembly = Assembly(engine, load_small(tmp_path), "f1eng9", labels, on_container=_ignore)
        for future in assembly.nodes.values():
            future.result()
        assembly.close()
        assert "bp-f1eng9-flash" in docker("volume", "ls", "-q").split()
    finally:
        assert remove_labelled(engine, "branchproof.run=f1eng9") == ()
        engine.close()
    assert "bp-f1eng9-flash" not in docker("volume", "ls", "-q").split()


def _ignore(node: str, container: str) -> None:
    """Nobody attaches: the nodes wait for a seed."""


def test_a_node_that_fails_says_why_with_its_log() -> None:
    lab = make_small_lab("f1eng5", {"carrier": {"fail": "no such cell"}})
    try:
        with pytest.raises(LabError, match="no such cell") as caught:
            lab.start()
        assert "carrier" in caught.value.where and "settled" in caught.value.seen
        assert b"settled" in dict(lab.collect())["nodes/carrier.log"]
    finally:
        lab.stop()
    assert owned("f1eng5") == []


def test_a_missing_image_is_said_before_anything_is_made() -> None:
    lab = make_small_lab("f1eng6")
    carrier = replace(lab.topology.services["carrier"], image="branchproof/none-such:bench")
    lab.topology = replace(lab.topology, services={**lab.topology.services, "carrier": carrier})
    with pytest.raises(EngineError, match="branchproof prepare"):
        lab.start()
    assert owned("f1eng6") == []
    lab.stop()


def test_no_engine_is_an_engine_error(tmp_path: Path) -> None:
    """In a process of its own: the SDK leaves the socket that found nobody for the garbage collector to warn about."""
    program = """
import sys
sys.path.insert(0, sys.argv[1])
from bench_nodes import make_small_lab
from harness.errors import EngineError
lab = make_small_lab("f1eng7")
try:
    lab.start()
except EngineError as error:
    print(error)
lab.stop()
print("stopped")
"""
    done = subprocess.run(
        [sys.executable, "-c", program, str(Path(__file__).parent)], capture_output=True, text=True, check=True,
        env={**os.environ, "DOCKER_HOST": f"unix://{tmp_path}/none.sock"},
    )  # fmt: skip
    assert "DOCKER_HOST" in done.stdout and done.stdout.endswith("stopped\n")


def test_large_answers_and_stray_lines_come_through() -> None:
    lab = make_small_lab("f1eng8")
    try:
        lab.start()
        assert ask(lab, "client1", "echo", size=20_000_000) == "x" * 20_000_000
        ask(lab, "client1", "stray", text="a stray word")
        assert lab.facts()["stray_lines"] == {"client1": 1} and lab.facts()["lost_events"] == {}
        assert b"a stray word" in dict(lab.collect())["nodes/client1.log"]
        assert lab.facts()["clock"]["offset_ns"] == 0 and 0 < lab.facts()["clock"]["bound_ns"] < 50_000_000
    finally:
        lab.stop()


def test_files_are_brought_home_and_missing_ones_left_out(tmp_path: Path) -> None:
    base = make_small_lab("f1eng9")
    fetches = (
        Fetch("client1", "/etc/hostname", "captures/there.pcap"),
        Fetch("client1", "/run/none-such", "captures/none.pcap"),
        Fetch("carrier", "/", "captures/directory.pcap"),
        Fetch("router", "/etc/hostname", "captures/no-power.pcap"),
    )
    lab = ContainerLab(base.topology, base._make_seeds, "f1eng9", fetches=fetches)
    try:
        lab.start()
        files = dict(lab.collect())
        assert {name for name in files if name.startswith("captures/")} == {"captures/there.pcap"}
        expected = docker("exec", "bp-f1eng9-client1", "base64", "/etc/hostname")
        assert files["captures/there.pcap"] == base64.b64decode(expected)
        assert b"IsADirectoryError" in files["nodes/carrier.log"]
    finally:
        lab.stop()


def test_a_kept_lab_lives_on_without_its_harness_and_goes_only_with_all() -> None:
    lab = make_small_lab("f1enga")
    lab.start()
    lab.stop(keep=True)
    try:
        running = docker("ps", "-q", "--filter", "label=branchproof.run=f1enga").split()
        assert len(running) == 4  # bridges, carrier, client1, and the router, which waits for its seed
        assert docker("volume", "ls", "-q", "--filter", f"label={KEPT_LABEL}").split() == ["bp-f1enga-kept"]
        sweep()
        time.sleep(1)
        assert len(docker("ps", "-q", "--filter", "label=branchproof.run=f1enga").split()) == 4
    finally:
        engine = Engine()
        assert remove_labelled(engine, "branchproof.run=f1enga") == ()
        engine.close()


def test_stop_while_start_is_under_way_leaves_nothing() -> None:
    """What Ctrl-C does: start is left by an exception in the middle, then stop is called."""
    for delay_s in (0.15, 0.5, 0.9):
        lab = make_small_lab("f1engb")
        thread = threading.Thread(target=lambda lab=lab: _start_and_ignore(lab))
        thread.start()
        time.sleep(delay_s)
        lab.stop()
        thread.join(30)
        lab.stop()
        engine = Engine()
        left = remove_labelled(engine, "branchproof.run=f1engb") if owned("f1engb") else ()
        engine.close()
        assert left == () and owned("f1engb") == []


def _start_and_ignore(lab: ContainerLab) -> None:
    try:
        lab.start()
    except Exception:
        return


def test_seed_files_for_compose_are_the_owners_only(tmp_path: Path) -> None:
    from harness.lab.docker_lab import write_seeds
    from harness.profile.compile import compile_plan
    from harness.profile.load import load_profile
    from harness.profile.secrets import resolve_secrets

    profile = Path(__file__).resolve().parents[2] / "profiles" / "pier-kiosk.yaml"
    plan = compile_plan(load_profile(profile), "ossay-pier", "fast")
    written = write_seeds(plan, resolve_secrets(plan), tmp_path / "seeds")
    assert {path.stem for path in written} == set(load_topology().secrets)
    for path in written:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        seed = json.loads(path.read_text())
        assert seed["node"] == path.stem
        for link in seed["links"]:
            assert load_topology().services[path.stem].find_attachment(link["name"]).mac == link["mac"]  # type: ignore[union-attr]
