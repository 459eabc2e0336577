"""What stages and checks read out of plan and evidence, against values worked by hand."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import pytest

from harness.checks._shared import find_address_for_hq, list_clients
from harness.core.entries import Evidence, Seen
from harness.core.machine import RunMachine
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.registry import CatalogueError, _get, load_checks, load_stages
from harness.core.rehearse import list_nominal, rehearse
from harness.core.sample import TRUE_WALL_NS, build_plan, saw
from harness.stages import hq_reached
from harness.stages._hq_measures import digest_stream
from harness.stages._shared import (
    find_client,
    find_hq_segment,
    fold_name,
    is_inside,
    measure_clock,
    to_networks,
)

PLAN = build_plan()


def evidence_of(*observations: Observation) -> Evidence:
    return Evidence(Seen(i, o) for i, o in enumerate(observations))


def judged(plan: Plan, changes: dict[str, Observation | None]) -> dict[str, Finding]:
    """Run the nominal run with the observations of some kinds (``source kind``) replaced or left out."""
    kept: list[Observation] = []
    for seen in list_nominal():
        key = f"{seen.source} {seen.kind}"
        if key not in changes:
            kept.append(seen)
        elif (new := changes[key]) is not None:
            kept.append(new)
    machine = rehearse(RunMachine(plan, load_stages(), load_checks()), kept).machine
    return {f.check: f for s in machine.results() for f in s.findings}


def test_names_and_networks() -> None:
    assert fold_name("Ztp.Skerry.EXAMPLE.") == "ztp.skerry.example"  # RFC 4343: names compare without case
    assert fold_name(None) == ""
    assert is_inside("100.64.0.1", ("100.64.0.0/10",)) and is_inside("100.127.255.254", ("100.64.0.0/10",))
    assert not is_inside("100.128.0.1", ("100.64.0.0/10",))  # RFC 6598: 100.64.0.0/10 ends at 100.127.255.255
    assert not is_inside("not an address", ("0.0.0.0/0",)) and not is_inside(None, ("0.0.0.0/0",))
    assert to_networks(["10.1.2.3/24", "10.1.2.0/24"]) == {"10.1.2.0/24"}


def test_the_routers_clock_against_true_time() -> None:
    true = saw("management", "node.ready", 0.0)
    off = saw("router/runtime", "clock.set", 7.0, wall_off_s=-0.25)
    evidence = evidence_of(true, off)
    assert measure_clock(evidence, Seen(1, off)) == pytest.approx(-0.25)
    assert measure_clock(evidence_of(off), Seen(0, off)) is None
    assert off.wall_ns == TRUE_WALL_NS + 6_750_000_000


def test_the_client_is_that_of_the_first_segment_with_a_port_that_may_reach_hq() -> None:
    segment = find_hq_segment(PLAN)
    assert segment is not None and (segment.name, find_client(segment)) == ("staff", "client1")
    beyond = replace(PLAN.branch.segments[0], ports=(5, 6))
    assert find_client(beyond) is None
    branch = replace(PLAN.branch, segments=(beyond, PLAN.branch.segments[1]))
    assert find_hq_segment(replace(PLAN, branch=branch)) is None
    assert [c for c, _ in list_clients(PLAN)] == ["client1", "client2"]
    assert find_address_for_hq(PLAN) == "10.20.10.1"


def test_a_plan_without_a_segment_for_hq_fails_hq_reached_and_says_so() -> None:
    branch = replace(PLAN.branch, segments=(PLAN.branch.segments[1],))
    plan = replace(PLAN, branch=branch)
    machine = rehearse(RunMachine(plan, load_stages(), load_checks()), list_nominal()).machine
    last = machine.results()[-1]
    assert last.outcome == "FAIL" and "no segment" in last.findings[0].expected


def test_the_stream_is_shake_128_of_the_benchs_name() -> None:
    """FIPS 202's SHAKE128 by hashlib, put together whole here and in pieces there."""
    whole = hashlib.shake_128(b"branchproof").digest(65536) * 3
    for size in (0, 1, 65535, 65536, 65537, 150_000):
        assert digest_stream(size) == hashlib.sha256(whole[:size]).hexdigest()


def test_the_endpoint_streams_the_same() -> None:
    from emulators.hq.octets import digest_octets

    assert digest_octets(1_000_000) == digest_stream(1_000_000)


def test_measurements_follow_one_another() -> None:
    actions = rehearse(RunMachine(PLAN, load_stages(), load_checks()), list_nominal()).actions
    asks = [(a.node, a.ask) for a in actions if isinstance(a, Ask)][:5]
    assert asks == [
        ("client1", "lease"),
        ("client1", "ping"),
        ("client1", "largest"),
        ("client1", "fetch_url"),
        ("carrier", "census"),
    ]


def test_nothing_inside_branch_or_hq_may_be_in_clear() -> None:
    assert hq_reached.find_inside(PLAN) == ["10.20.10.0/24", "10.20.30.0/24", "10.200.0.0/24"]


@pytest.mark.parametrize(
    ("esp", "encap", "largest"),
    [
        ("AES_GCM_16-256", True, 1366),  # RFC 4303, 4106, 3948 over 1428: 1428-20-8-8-8-16 = 1368, less 2
        ("aes256gcm16", False, 1374),
        ("aes256-sha256", True, 1358),  # 1428-20-8-8-16-16 = 1360 = 85 blocks of 16, less 2
    ],
)
def test_the_largest_packet_is_what_the_ciphers_leave(esp: str, encap: bool, largest: int) -> None:
    child = saw(
        "hq-gateway",
        "child.installed",
        29.1,
        esp=esp,
        local_ts=["10.200.0.0/24"],
        remote_ts=["10.20.10.0/24"],
        encap=encap,
    )
    finding = judged(PLAN, {"hq-gateway child.installed": child})["hq_reached.largest"]
    assert finding.expected.startswith(f"{largest} bytes")
    assert finding.outcome == ("PASS" if largest == 1366 else "FAIL")


def test_an_unknown_suite_proves_nothing_about_sizes() -> None:
    child = saw("hq-gateway", "child.installed", 29.1, esp="camellia256", local_ts=[], remote_ts=[], encap=True)
    findings = judged(PLAN, {"hq-gateway child.installed": child})
    assert findings["hq_reached.largest"].outcome == "INCONCLUSIVE"
    assert findings["tunnel_up.esp"].outcome == "FAIL"


def test_the_mtu_is_the_carriers_record() -> None:
    carrier = replace(PLAN.records.carrier, mtu=1358)
    findings = judged(replace(PLAN, records=replace(PLAN.records, carrier=carrier)), {})
    assert findings["online.mtu"].outcome == "FAIL"
    assert findings["hq_reached.largest"].expected.startswith("1294 bytes")  # GCM in UDP over 1358, RFC 4303 and 3948


def test_what_is_asserted_is_the_branchs_own_not_what_the_inventory_says() -> None:
    wrong = replace(PLAN.records.inventory, serial="SK-000071")
    findings = judged(replace(PLAN, records=replace(PLAN.records, inventory=wrong)), {})
    assert findings["checked_in.serial"].outcome == "PASS"


def test_names_by_address_need_no_answer() -> None:
    from harness.core.sections import BootstrapServer
    from harness.stages.online import STAGE

    plan = build_plan(bootstrap=(BootstrapServer("198.18.0.20", 443),))
    assert [n.kind for n in STAGE.needs(plan)] == ["address.first_used"]
    own = build_plan(name_servers=("198.18.0.1",))
    assert [n.source for n in STAGE.needs(own)] == ["carrier", "internet"]


def test_a_roll_back_after_the_report_is_found_at_the_end() -> None:
    back = saw("router/runtime", "config.rolled_back", 33.0, digest="5e" * 32, reason="management does not answer")
    observations = (*list_nominal(), back)
    machine = rehearse(RunMachine(PLAN, load_stages(), load_checks()), observations).machine
    configured = next(s for s in machine.results() if s.stage == "configured")
    assert configured.outcome == "FAIL"
    assert [f.check for f in configured.findings if f.outcome == "FAIL"] == ["configured.kept"]


def test_a_module_without_its_entry_is_an_error_of_ours() -> None:
    import harness.stages._shared as module

    with pytest.raises(CatalogueError, match="expected STAGE"):
        _get(module, "STAGE", tuple)
