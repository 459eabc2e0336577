"""Rows of the rule base on branches that are not the demo's: rare heartbeats, servers by address, no logs at HQ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from harness.core.entries import Evidence, Seen
from harness.core.model import Finding, Observation, StageResult
from harness.core.sample import answered, build_plan
from harness.core.sample import saw as see
from harness.diagnosis.case import Case
from harness.diagnosis.diagnose import diagnose

PLAN = build_plan()
BEAT_S = 60.0
RARE = replace(PLAN, branch=replace(PLAN.branch, heartbeat_s=BEAT_S))


def name_causes(
    *seen: Observation, later: Sequence[Observation] = (), stopped: str | None = None, rare: bool = False
) -> list[str]:
    numbered = [Seen(n, o) for n, o in enumerate([*seen, *later])]
    case = Case(RARE if rare else PLAN, (), stopped, Evidence(numbered), Evidence(numbered[len(seen) :]))
    return [n.cause.name for n in diagnose(case).named]


def beats(*at_s: float) -> list[Observation]:
    return [see("management", "heartbeat.received", at, serial="X") for at in at_s]


def unanswered(at_s: float, *, echo: str, exchange: str = "IKE_SA_INIT", port: int = 500) -> Observation:
    return see("router", "tunnel.failed", at_s, reason="no_answer", exchange=exchange, port=port, echo=echo)


DOWN = see("router", "tunnel.down", 130.0)


def in_order(*seen: Observation) -> list[Observation]:
    return sorted(seen, key=lambda o: o.at_ns)


def test_rare_heartbeats_are_no_silence() -> None:
    later = in_order(*beats(100, 160, 220, 280), DOWN, unanswered(165, echo="silent"))
    assert name_causes(later=later, rare=True) == ["gateway_down"]


def test_a_silence_of_many_rare_heartbeats_is_one() -> None:
    later = in_order(*beats(100, 700), DOWN, unanswered(165, echo="silent"))
    assert name_causes(later=later, rare=True) == ["uplinks_down"]


def number(*seen: Observation) -> list[Observation]:
    """As a source numbers what it says."""
    return [replace(o, seq=n) for n, o in enumerate(seen)]


def test_what_nobody_looked_at_is_no_silence() -> None:
    """The run begins in a lab that had stood for ten minutes: what management said meanwhile is on another tape."""
    said = number(*beats(*range(20, 700, 2)))
    heard = [*said[:2], *(b for b in said if b.at_ns >= 640 * 10**9)]
    down = replace(DOWN, at_ns=650 * 10**9)
    assert name_causes(*heard[:1], later=in_order(*heard[1:], down)) == []


def test_a_silence_after_what_nobody_looked_at_is_one() -> None:
    said = number(*beats(*range(20, 640, 2), 900.0))
    heard = [*said[:2], said[-1]]
    seen = [see("carrier", "bearer.idle", at) for at in (640.0, 700.0, 760.0)]
    down = replace(DOWN, at_ns=650 * 10**9)
    assert name_causes(*heard[:1], later=in_order(*heard[1:], *seen, down)) == ["uplinks_down"]


def test_a_gateway_is_not_blamed_where_nobody_hears_the_device() -> None:
    failed = [unanswered(at, echo="silent") for at in (30.0, 52.0)]
    assert "gateway_down" not in name_causes(*failed, stopped="tunnel_up", rare=True)
    heard = in_order(*failed, *beats(41.0))
    assert name_causes(*heard, stopped="tunnel_up", rare=True)[0] == "gateway_down"


@pytest.mark.parametrize(("ok", "named"), [(True, ["endpoint_down"]), (False, [])])
def test_the_server_at_hq_is_not_blamed_for_a_client_without_an_address(ok: bool, named: list[str]) -> None:
    child = see("hq-gateway", "child.installed", 20.0, peer=PLAN.branch.tunnel.local_id,
                remote_ts=list(PLAN.branch.tunnel.local_subnets))  # fmt: skip
    error = None if ok else "LeaseError: lan1: no DHCP lease within 20.0 s"
    lease = answered("client1", "lease.client1", 41.0, {"address": "10.20.10.100"} if ok else None, error)
    assert name_causes(child, lease, stopped="hq_reached") == named
    refused = see("router", "admission.refused", 30.0, port=1, method="dot1x", reason="no server answers")
    assert name_causes(child, refused, lease, stopped="hq_reached") == ["endpoint_down"]  # it lets clients in


def test_a_gateway_whose_ike_was_down_is_no_filter() -> None:
    init = unanswered(30.0, echo="answered")
    up = see("hq-gateway", "sa.established", 80.0)
    assert name_causes(init, up) == ["udp_500_filtered"]
    assert name_causes(init, unanswered(52.0, echo="answered", port=4500), up) == []


def test_a_path_that_loses_large_packets_comes_before_a_filter() -> None:
    narrowed = see("router", "path.narrowed", 12.0, uplink="cellular", mtu=1280)
    auth = unanswered(40.0, echo="answered", exchange="IKE_AUTH", port=4500)
    assert name_causes(auth, stopped="tunnel_up") == ["udp_4500_filtered"]
    assert name_causes(narrowed, auth, stopped="tunnel_up")[0] == "small_path_mtu"


def test_time_servers_by_address_are_not_blamed_for_a_dead_path() -> None:
    failed = [see("router", "clock.failed", at, address="198.18.0.1", reason="no answer") for at in (10.0, 20.0)]
    assert name_causes(*failed, stopped="online") == []
    name = see("carrier", "name.answered", 9.0, name="time.example", address="198.18.0.1")
    assert name_causes(name, *failed, stopped="online") == ["ntp_filtered"]


def test_a_small_path_is_found_without_what_the_carrier_has_on_record() -> None:
    """The finding on the largest packet is judged by the carrier's record of the MTU."""
    finding = Finding("hq_reached.largest", "FAIL", "", "", "1290 bytes")
    results = (StageResult("hq_reached", "FAIL", 1.0, 60.0, "", (finding,)),)
    narrowed = Evidence([Seen(0, see("router", "path.narrowed", 12.0, uplink="cellular", mtu=1358))])
    cases = [Case(PLAN, judged, "hq_reached", narrowed, Evidence()) for judged in (results, ())]
    one, other = (diagnose(case).named for case in cases)
    assert [(n.cause.name, n.score) for n in one] == [(n.cause.name, n.score) for n in other]
    assert one[0].cause.name == "small_path_mtu"


BEARER = see("carrier", "pdn.granted", 5.0, apn="a", address="100.64.0.2", dns=["100.64.0.1", "100.64.0.9"])


def unresolved(asked: str, said: str = "LifetimeTimeout: the resolution lifetime expired") -> Observation:
    reason = f"time.skerry.example: asked {asked}: {said}"
    return see("router", "clock.failed", 14.0, server="time.skerry.example", address=None, reason=reason)


@pytest.mark.parametrize(
    ("asked", "named"),
    [
        ("100.64.0.1", ["carrier_dns_dead"]),
        ("192.0.2.1, 100.64.0.9", ["carrier_dns_dead"]),
        ("198.18.0.53", []),
        ("100.64.0.11", []),
    ],
)
def test_the_carriers_resolver_is_not_blamed_for_the_silence_of_others(asked: str, named: list[str]) -> None:
    assert name_causes(BEARER, unresolved(asked), stopped="online") == named


def test_the_carriers_resolver_is_not_blamed_for_a_path_that_is_dead_altogether() -> None:
    """A time server that needs no name does not answer either."""
    silent = see("router", "clock.failed", 22.0, server="198.18.0.1", address="198.18.0.1", reason="no answer")
    refused = unresolved("100.64.0.1", "NoNameservers: 100.64.0.1 answered REFUSED")
    assert name_causes(BEARER, unresolved("100.64.0.1"), silent, stopped="online") == []
    assert name_causes(BEARER, refused, stopped="online") == ["carrier_dns_dead"]
