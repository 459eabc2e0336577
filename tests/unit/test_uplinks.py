"""The choice between uplinks, and what DHCP's client says; figures as in device_config.Health."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulators.router.runtime.dhcp_client import parse_events, parse_lease
from emulators.router.runtime.uplink_state import UplinkState
from emulators.router.runtime.uplinks import RECOVERIES, Choice

CELLULAR = UplinkState("cellular", "wwan0", "100.64.0.2", None, 1358, ("100.64.0.1",))
ETHERNET = UplinkState("ethernet", "fixed", "198.18.64.100", "198.18.64.1", 1500, ("198.18.0.1",))


def both(order: tuple[str, ...] = ("ethernet", "cellular")) -> Choice:
    choice = Choice(order)
    choice.set_state("cellular", CELLULAR)
    choice.set_state("ethernet", ETHERNET)
    return choice


def test_order_decides() -> None:
    assert both().current() is ETHERNET
    assert both(("cellular", "ethernet")).current() is CELLULAR


def test_nothing_stands() -> None:
    assert Choice(("cellular",)).current() is None


def test_fails_over_after_so_many_misses_and_comes_back() -> None:
    choice = both()
    changes = [choice.take_answer("ethernet", answered=False, failures=3) for _ in range(3)]
    assert changes == [False, False, True]
    assert choice.current() is CELLULAR
    assert choice.metric("ethernet") > choice.metric("cellular")
    back = [choice.take_answer("ethernet", answered=True, failures=3) for _ in range(RECOVERIES)]
    assert back[-1]
    assert choice.current() is ETHERNET


def test_one_answer_between_misses_counts_anew() -> None:
    choice = both()
    for answered in (False, False, True, False, False):
        choice.take_answer("ethernet", answered=answered, failures=3)
    assert choice.current() is ETHERNET


def test_all_sick_still_uses_the_first() -> None:
    choice = both()
    for kind in ("ethernet", "cellular"):
        choice.take_answer(kind, answered=False, failures=1)
    assert choice.current() is ETHERNET


def test_a_loss_fails_over_at_once() -> None:
    choice = both()
    choice.set_state("ethernet", None)
    assert choice.current() is CELLULAR


@given(st.lists(st.tuples(st.sampled_from(["ethernet", "cellular"]), st.booleans())))
def test_a_well_uplink_is_never_passed_over_for_a_sick_one(answers: list[tuple[str, bool]]) -> None:
    choice = both()
    for kind, answered in answers:
        choice.take_answer(kind, answered=answered, failures=2)
    current = choice.current()
    assert current is not None
    assert current.kind not in choice.sick or len(choice.sick) == 2
    assert len({choice.metric(kind) for kind in choice.order}) == 2  # two routes never share a metric


BOUND = """event bound
ip=198.18.64.100
subnet=255.255.255.0
mask=24
router=198.18.64.1
dns=198.18.0.1 198.18.0.2
lease=600
interface=fixed
end
"""


def test_udhcpc_block() -> None:
    # Variable names as udhcpc (BusyBox) hands them to its script.
    ((name, values),) = parse_events(BOUND.splitlines(keepends=True))
    assert name == "bound"
    address, state = parse_lease(values)
    assert address == "198.18.64.100/24"
    assert state == UplinkState("ethernet", "fixed", "198.18.64.100", "198.18.64.1", 1500, ("198.18.0.1", "198.18.0.2"))


def test_lease_without_a_router_is_no_uplink() -> None:
    with pytest.raises((KeyError, IndexError)):
        parse_lease({"ip": "198.18.64.100", "subnet": "255.255.255.0", "router": ""})
