"""Links: found by MAC whatever the engine calls them, else by the nominal address; the set-up script is one batch."""

from __future__ import annotations

import json

from emulators.common.links import Interface, Link, Route, build_batch, find_interface, parse_interfaces

# Shape of `ip -j addr` (iproute2 6.1), shortened.
ADDR = json.dumps(
    [
        {"ifname": "lo", "address": "00:00:00:00:00:00", "addr_info": [{"family": "inet", "local": "127.0.0.1"}]},
        {"ifname": "eth1", "address": "02:42:C6:13:00:12", "addr_info": [{"family": "inet", "local": "198.19.0.18"}]},
        {"ifname": "eth0", "address": "8e:00:00:00:00:01", "addr_info": [{"family": "inet", "local": "198.19.0.50"}]},
    ]
)


def test_mac_wins_over_name_and_address() -> None:
    link = Link("radio", "02:42:c6:13:00:12", "198.19.0.50")
    found = find_interface(link, parse_interfaces(ADDR))
    assert found is not None and found.name == "eth1"


def test_nominal_address_where_the_engine_chose_the_mac() -> None:
    found = find_interface(Link("fixed", "02:42:c6:13:00:32", "198.19.0.50"), parse_interfaces(ADDR))
    assert found is not None and found.name == "eth0"


def test_a_link_that_is_not_there_is_none() -> None:
    assert find_interface(Link("lan1", "02:42:c6:13:00:52", "198.19.0.82"), parse_interfaces(ADDR)) is None


def test_swapped_names_cannot_clash() -> None:
    first = (Link("eth1", "a", "x", ("10.0.0.1/24",), (Route("10.1.0.0/16", "10.0.0.2"),)), Interface("eth0", "a", ()))
    second = (Link("eth0", "b", "y"), Interface("eth1", "b", ()))
    lines = build_batch((first, second)).splitlines()
    assert lines.index("link set dev eth1 name bench1") < lines.index("link set dev bench0 name eth1")
    assert lines[-1] == "route replace 10.1.0.0/16 via 10.0.0.2 dev eth1"
