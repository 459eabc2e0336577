"""The client's reading of udhcpc's events (as BusyBox 1.35 printed them) and what it sets from them."""

from __future__ import annotations

import subprocess

import pytest

from emulators.client.lease import SCRIPT, Lease, build_setup, parse_events, parse_lease

# BusyBox 1.35.0's udhcpc against dnsmasq 2.90 with a lease of 600 s, printed by udhcpc_event.sh
BOUND = """event deconfig
interface=lan1
end
event bound
opt58=0000012c
subnet=255.255.255.0
router=198.18.64.1
opt59=0000020d
dns=198.18.64.1 198.18.0.1
serverid=198.18.64.1
ip=198.18.64.105
lease=600
mask=24
opt53=05
end
"""


def test_the_events_are_read():
    first, second = parse_events(BOUND.splitlines(keepends=True))
    assert (first.name, first.values) == ("deconfig", {"interface": "lan1"})
    assert parse_lease(second.values) == Lease(
        "198.18.64.105", 24, "198.18.64.1", ("198.18.64.1", "198.18.0.1"), 600, 300, 525
    )


def test_timers_that_were_not_sent_have_the_standards_defaults():
    # RFC 2131 section 4.4.5: T1 defaults to 0.5, T2 to 0.875 of the lease
    lease = parse_lease({"ip": "10.61.1.20", "subnet": "255.255.255.192", "lease": "3600"})
    assert (lease.prefix, lease.router, lease.dns, lease.t1_s, lease.t2_s) == (26, None, (), 1800, 3150)


def test_a_lease_without_its_time_is_not_usable():
    with pytest.raises(KeyError, match="lease"):
        parse_lease({"ip": "10.61.1.20", "mask": "24"})


def test_a_block_cut_off_gives_no_event():
    assert list(parse_events(["noise\n", "ip=1.2.3.4\n", "event bound\n", "ip=1.2.3.4\n"])) == []


def test_what_is_set_follows_the_lease():
    lease = Lease("10.61.1.20", 24, "10.61.1.1", (), 600, 300, 525)
    assert build_setup("lan1", lease).splitlines() == [
        "addr replace 10.61.1.20/24 dev lan1",
        "route replace default via 10.61.1.1 dev lan1",
    ]
    assert build_setup("lan1", None) == "addr flush dev lan1\n"


def test_the_event_script_prints_what_is_read():
    """The script itself, run as udhcpc runs it: the event as its argument, the options in its environment."""
    environment = {"ip": "10.61.1.20", "mask": "24", "lease": "600", "PATH": "/usr/bin:/bin"}
    printed = subprocess.run([SCRIPT, "bound"], env=environment, capture_output=True, text=True, check=True).stdout
    (event,) = parse_events(printed.splitlines())
    assert event.name == "bound"
    assert parse_lease(event.values).address == "10.61.1.20"
