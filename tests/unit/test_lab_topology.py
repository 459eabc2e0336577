"""The topology: strict reading, narrowing, renaming."""

from __future__ import annotations

import ipaddress
import json
import os
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import LabError
from harness.lab.compose_file import LAB_FILE, load_topology
from harness.lab.topology import (
    BY_HAND,
    POOL,
    Topology,
    choose_subnets,
    derive_mac,
    for_run,
    name_bridge,
    select_services,
)

GOOD = """
services:
  one:
    image: i
    networks: {net: {ipv4_address: 198.19.0.18}}
networks:
  net:
    driver: bridge
    driver_opts: {com.docker.network.bridge.name: b-net}
    ipam: {config: [{subnet: 198.19.0.16/28}]}
secrets:
  s: {file: "${DIR:-./seeds}/one.json"}
"""


def read(tmp_path: Path, text: str) -> Topology:
    path = tmp_path / "lab.yaml"
    path.write_text(text)
    return load_topology(path)


def test_lab_yaml_reads_as_compose_itself_reads_it() -> None:
    """Held against docker-compose's own resolution of the file (`config`), an implementation of the specification."""
    yaml_text = subprocess.run(
        ["docker-compose", "-f", str(LAB_FILE), "config"], capture_output=True, text=True, check=True,
        env={**os.environ, "BRANCHPROOF_SEEDS": "/seeds"},
    ).stdout  # fmt: skip
    import yaml

    theirs = yaml.safe_load(yaml_text)
    ours = load_topology(environment={"BRANCHPROOF_SEEDS": "/seeds"})
    assert set(theirs["services"]) == set(ours.services)
    assert set(theirs["networks"]) == set(ours.networks)
    assert {n: s["file"] for n, s in theirs["secrets"].items()} == dict(ours.secrets)
    for name, service in ours.services.items():
        other = theirs["services"][name]
        assert service.image == other["image"]
        assert list(service.command or ()) == other.get("command", [])
        assert list(service.cap_add) == other.get("cap_add", [])
        assert list(service.cap_drop) == other.get("cap_drop", [])
        assert list(service.security_opt) == other.get("security_opt", [])
        assert service.read_only == other.get("read_only", False)
        assert service.stdin_open == other.get("stdin_open", False)
        assert [f"{d.outside}:{d.inside}:{d.permissions}" for d in service.devices] == other.get("devices", [])
        assert list(service.tmpfs) == other.get("tmpfs", [])
        theirs_sysctls = {k: str(v) for k, v in other.get("sysctls", {}).items()}
        assert dict(service.sysctls) == theirs_sysctls
        theirs_ends = {n: end["ipv4_address"] for n, end in other.get("networks", {}).items()}
        assert {a.network: a.address for a in service.attachments} == theirs_ends
    for name, network in ours.networks.items():
        assert network.subnet == theirs["networks"][name]["ipam"]["config"][0]["subnet"]
        assert dict(network.driver_opts) == theirs["networks"][name]["driver_opts"]


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("    image: i", "    image: i\n    privileged: true", "services.one.privileged"),
        ("    image: i", "    image: i\n    read_only: 'yes'", "services.one.read_only"),
        ("    image: i", "    image: i${X:-j}", "services.one.image"),
        ("    image: i", "    build: .", "services.one.build"),
        ("    image: i", "    image: i\n    devices: ['/dev/net/tun']", "services.one.devices"),
        ("    image: i", "    image: i\n    volumes: ['v:/x']", "services.one.volumes"),
        ("    image: i", "    image: i\n    depends_on: [two]", "services.one.depends_on"),
        ("ipv4_address: 198.19.0.18", "ipv4_address: 198.19.0.18, priority: 1", "services.one.networks.net.priority"),
        ("198.19.0.18", "198.19.1.18", "services.one.networks.net"),
        ("198.19.0.18", "198.19.0.17", "services.one.networks.net"),
        ("    driver: bridge", "    driver: bridge\n    internal: true", "networks.net.internal"),
        ("b-net", "a-name-of-sixteen", "networks.net.driver_opts"),
        ("198.19.0.16/28", "198.19.0.17/28", "networks.net.ipam.config[0].subnet"),
        ("services:", "configs: {}\nservices:", "configs"),
        ("${DIR:-./seeds}", "${DIR}", "secrets.s.file"),
        ("    image: i", "    image: i\n    image: j", "lab.yaml"),
    ],
)  # fmt: skip
def test_what_is_not_understood_is_an_error_with_its_place(tmp_path: Path, old: str, new: str, where: str) -> None:
    assert read(tmp_path, GOOD).services["one"].image == "i"
    assert GOOD.count(old) == 1
    with pytest.raises(LabError) as caught:
        read(tmp_path, GOOD.replace(old, new))
    assert str(tmp_path / "lab.yaml") in caught.value.where
    assert where in caught.value.where


def test_extension_keys_on_top_are_the_files_own(tmp_path: Path) -> None:
    """Compose specification, 11-extension: ``x-`` keys are for the author's fragments."""
    assert read(tmp_path, "x-mine: {anything: [1]}\n" + GOOD).networks["net"].bridge == "b-net"


def test_secret_variables_take_default_or_environment(tmp_path: Path) -> None:
    """Compose specification, 12-interpolation: ${VAR:-default} also where VAR is empty."""
    assert read(tmp_path, GOOD).secrets["s"] == "./seeds/one.json"
    path = tmp_path / "lab.yaml"
    assert load_topology(path, {"DIR": "/d"}).secrets["s"] == "/d/one.json"
    assert load_topology(path, {"DIR": ""}).secrets["s"] == "./seeds/one.json"


def test_mac_is_02_42_and_the_address() -> None:
    """The engine's own rule: `docker inspect` of an endpoint with 198.19.0.18 showed 02:42:c6:13:00:12 (20.10)."""
    assert derive_mac("198.19.0.18") == "02:42:c6:13:00:12"


def test_selecting_drops_what_is_not_needed_and_its_bridges() -> None:
    full = load_topology()
    some = select_services(full, ["router", "carrier", "internet", "client2"], ["fixed"])
    assert set(some.services) == {"bridges", "router", "carrier", "internet", "client2"}
    assert set(some.networks) == {"radio", "inet", "lan2"}
    assert [a.network for a in some.services["router"].attachments] == ["radio", "lan2"]
    assert some.services["bridges"].command is not None
    assert some.services["bridges"].command[2:] == ("bp-radio", "bp-inet", "bp-lan2")
    assert set(some.volumes) == {"flash"}


def test_for_run_renames_all_and_moves_addresses() -> None:
    full = load_topology()
    subnets = choose_subnets(full.networks, [], 7)
    mine, other = for_run(full, "aaaaaa", subnets), for_run(full, "bbbbbb", subnets)
    names = lambda t: {x.engine_name for kind in (t.services, t.networks, t.volumes) for x in kind.values()}  # noqa: E731
    assert not names(mine) & names(other)
    bridges = [n.bridge for t in (mine, other) for n in t.networks.values()]
    assert len(set(bridges)) == len(bridges) and max(map(len, bridges)) <= 15
    assert mine.services["bridges"].command is not None
    assert list(mine.services["bridges"].command[2:]) == [n.bridge for n in mine.networks.values()]
    for name, service in mine.services.items():
        for old, new in zip(full.services[name].attachments, service.attachments, strict=True):
            was, now = full.networks[old.network].subnet, mine.networks[old.network].subnet
            offset = int(ipaddress.ip_address(old.address)) - int(ipaddress.ip_network(was).network_address)
            assert int(ipaddress.ip_address(new.address)) - int(ipaddress.ip_network(now).network_address) == offset


@given(st.text("0123456789abcdef", min_size=1, max_size=40), st.text("abcdefghijkl0-9", min_size=1, max_size=30))
def test_bridge_names_always_fit(run_id: str, network: str) -> None:
    """Linux IFNAMSIZ: 15 characters and a NUL."""
    assert 1 <= len(name_bridge(run_id, network)) <= 15


@given(
    st.integers(0, 1 << 20),
    st.lists(st.tuples(st.integers(0, 255), st.sampled_from([20, 24, 28])), max_size=12),
)
def test_chosen_subnets_overlap_nothing(start: int, taken: list[tuple[int, int]]) -> None:
    others = [str(ipaddress.ip_network(f"198.19.{third}.0/{length}", strict=False)) for third, length in taken]
    chosen = choose_subnets(["a", "b", "c"], [*others, "fd00::/64"], start)
    nets = [ipaddress.IPv4Network(text) for text in chosen.values()]
    assert len(nets) == 3 and all(n.subnet_of(POOL) and not n.overlaps(BY_HAND) for n in nets)
    for i, net in enumerate(nets):
        assert not any(net.overlaps(ipaddress.IPv4Network(o)) for o in others)
        assert not any(net.overlaps(other) for other in nets[:i])


def test_a_used_up_pool_is_said() -> None:
    with pytest.raises(ValueError, match="no free"):
        choose_subnets(["a"], [str(POOL)], 0)


def test_topology_records_are_plain_data() -> None:
    from emulators.common.record import to_json

    assert json.loads(json.dumps(to_json(load_topology())))["services"]["router"]["image"] == "branchproof/router:bench"
