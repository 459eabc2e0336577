"""How the measurements of `hq_reached` are judged: loss, round trip, largest packet, transfer, clear text. Pure."""

from __future__ import annotations

import hashlib
from functools import cache

from harness.core.entries import (
    Answer,
    Evidence,
    as_count,
    as_list,
    as_number,
    find_broken,
    hold,
    leave_open,
    set_aside,
)
from harness.core.model import Finding, Plan
from harness.core.proposals import parse_esp
from harness.core.sizes import (
    ETHERNET_MTU_BYTES,
    USERSPACE_INNER_BYTES,
    Suite,
    SuiteError,
    find_largest_inner_bytes,
    find_outer_bytes,
    parse_suite,
)
from harness.core.timing import find_median, find_percentile
from harness.stages._shared import find_uplink_mtu

BLOCK = hashlib.shake_128(b"branchproof").digest(64 * 1024)
"""What the endpoint streams under /bytes/N, over and over: SHAKE128 (FIPS 202) of the bench's name, 64 KiB of it."""

RTT_PERCENTILE = 90.0
"""Nearest rank. Common practice, no source: one late echo of ten says more of a busy bench than of a branch."""

PING, LARGEST, TRANSFER, CENSUS = (f"hq_reached.{word}" for word in ("ping", "largest", "transfer", "census"))


def judge_ping(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    limits = plan.branch.acceptance
    lost_claim, rtt_claim = "echoes to HQ are answered", "echoes to HQ come back soon enough"
    lost_limit, rtt_limit = (
        f"at most {limits.ping_loss_pct:g} % lost",
        f"nine in ten within {limits.ping_rtt_ms:g} ms",
    )
    broken = find_broken(evidence, "hq_reached.loss", lost_claim, lost_limit, PING)
    answer = evidence.find_answer(PING)
    if broken is not None or answer is None:
        return (broken,) if broken else ()
    # An echo that the client could not even send is lost too: the profile says how many there must be.
    sent = max(as_count(answer.get("sent")), limits.ping_count)
    received = as_count(answer.get("received"))
    lost_pct = 100.0 * (sent - received) / sent if sent else 100.0
    rtts = read_round_trips(answer)
    median, most = find_median(rtts), find_percentile(rtts, RTT_PERCENTILE)
    soon = median is not None and most is not None and most <= limits.ping_rtt_ms
    seen = f"median {median:.1f} ms, nine in ten within {most:.1f} ms" if rtts else "nothing came back"
    return (
        hold(
            "hq_reached.loss",
            lost_pct <= limits.ping_loss_pct,
            lost_claim,
            lost_limit,
            f"{sent - received} of {sent} lost ({lost_pct:.1f} %)",
            [answer],
        ),
        hold("hq_reached.rtt", soon, rtt_claim, rtt_limit, seen, [answer]),
    )


def read_round_trips(answer: Answer) -> list[float]:
    """Return the round trips of a ping's answer, milliseconds."""
    return [float(r) for r in map(as_number, as_list(answer.get("rtts_ms"))) if r is not None]


def judge_largest(plan: Plan, evidence: Evidence) -> Finding:
    check, claim = (
        "hq_reached.largest",
        "the largest packet that crosses whole is what the ciphers leave of the uplink's MTU",
    )
    child = evidence.find_last("hq-gateway", "child.installed")
    broken = find_broken(evidence, check, claim, "", LARGEST)
    answer = evidence.find_answer(LARGEST)
    if broken is not None or answer is None:
        return broken or leave_open(check, claim, "", "nothing")
    try:
        suite = _find_suite(str(child.data.get("esp") or "") if child else "")
    except SuiteError as error:
        return leave_open(check, claim, "a suite of known sizes", str(error), [child, answer])
    in_udp = child is not None and child.data.get("encap") is True
    mtu = find_uplink_mtu(plan) or ETHERNET_MTU_BYTES
    wanted = find_largest_inner_bytes(mtu, suite, in_udp=in_udp)
    esp = child.data.get("esp") if child else ""
    expected = f"{wanted} bytes: MTU {mtu}, {esp}{', in UDP' if in_udp else ''} (RFC 4303)"
    is_capped = child is not None and child.data.get("means") == "userspace" and wanted > USERSPACE_INNER_BYTES
    if is_capped and answer.get("bytes") == USERSPACE_INNER_BYTES:
        reason = f"user-space ESP on this kernel carries {USERSPACE_INNER_BYTES} at most; as it should be: {expected}"
        return set_aside(check, claim, reason)
    return hold(check, answer.get("bytes") == wanted, claim, expected, f"{answer.get('bytes')} bytes", [child, answer])


def _find_suite(esp: str) -> Suite:
    proposal = parse_esp(esp)
    return parse_suite(proposal.encryption, proposal.integrity)


def judge_transfer(plan: Plan, evidence: Evidence) -> Finding:
    check, claim = "hq_reached.transfer", "a transfer from HQ arrives whole"
    size = plan.branch.acceptance.transfer_bytes
    wanted = digest_stream(size)
    expected = f"{size} bytes, SHA-256 {wanted[:12]}..."
    broken = find_broken(evidence, check, claim, expected, TRANSFER)
    answer = evidence.find_answer(TRANSFER)
    if broken is not None or answer is None:
        return broken or leave_open(check, claim, expected, "nothing")
    whole = (answer.get("status"), answer.get("bytes"), answer.get("sha256")) == (200, size, wanted)
    return hold(check, whole, claim, expected, _tell_transfer(answer), [answer])


def _tell_transfer(answer: Answer) -> str:
    size, took_s, error = (
        as_count(answer.get("bytes")),
        as_number(answer.get("took_s")),
        answer.get("error") or answer.error,
    )
    rate = f" at {size * 8 / took_s / 1e6:.1f} Mbit/s" if size and took_s else ""
    return f"status {answer.get('status')}, {size} bytes{rate}, SHA-256 {str(answer.get('sha256'))[:12]}..." + (
        f", {error}" if error else ""
    )


@cache
def digest_stream(size: int) -> str:
    """Return the SHA-256 (hex) of the first `size` octets of the endpoint's stream."""
    digest = hashlib.sha256()
    for offset in range(0, size, len(BLOCK)):
        digest.update(BLOCK[: size - offset])
    return digest.hexdigest()


def judge_clear(
    evidence: Evidence, check: str = "hq_reached.clear", label: str = CENSUS, least_esp: int = 1
) -> Finding:
    """Judge a census. `least_esp`: packets in ESP without which the census looked at the wrong place."""
    claim = "nothing between branch and HQ goes in clear over the internet"
    expected = "no packet in clear, and packets in ESP" if least_esp else "no packet in clear"
    broken = find_broken(evidence, check, claim, expected, label)
    answer = evidence.find_answer(label)
    if broken is not None or answer is None:
        return broken or leave_open(check, claim, expected, "nothing")
    esp = as_count(answer.get("esp_udp")) + as_count(answer.get("esp"))
    clear = answer.get("clear")
    shown = "; ".join(map(str, as_list(answer.get("clear_examples"))))
    seen = f"{clear} in clear, {esp} in ESP of {answer.get('packets')} packets" + (f": {shown}" if shown else "")
    if clear == 0 and (lost := _tell_lost(answer)):
        return leave_open(check, claim, expected, f"{seen}; {lost}", [answer])
    return hold(check, clear == 0 and esp >= least_esp, claim, expected, seen, [answer])


def _tell_lost(census: Answer) -> str:
    """Return why a capture may not hold all; empty where it does."""
    dropped = as_number(census.get("dropped"))
    return "" if dropped == 0 else f"the capture lost {'nobody knows how many' if dropped is None else dropped} packets"


def judge_wire(evidence: Evidence) -> Finding:
    """Hold the largest ESP packet in the capture against the arithmetic for the largest inner packet that crossed."""
    check, claim = "hq_reached.wire", "on the wire the largest packet is as long as its ciphers make it (RFC 4303)"
    broken = find_broken(evidence, check, claim, "", LARGEST) or find_broken(evidence, check, claim, "", CENSUS)
    largest, census = evidence.find_answer(LARGEST), evidence.find_answer(CENSUS)
    child = evidence.find_last("hq-gateway", "child.installed")
    if broken is not None or largest is None or census is None or child is None:
        return broken or leave_open(check, claim, "", "nothing")
    try:
        suite = _find_suite(str(child.data.get("esp") or ""))
    except SuiteError as error:
        return leave_open(check, claim, "a suite of known sizes", str(error), [child])
    inner = as_count(largest.get("bytes"))
    wanted = find_outer_bytes(inner, suite, in_udp=child.data.get("encap") is True)
    seen, fragments = census.get("esp_outer_max_bytes"), census.get("fragments")
    if fragments == 0 and (lost := _tell_lost(census)):
        expected = f"{wanted} bytes for {inner} inside, no fragments"
        return leave_open(check, claim, expected, f"{seen} bytes, {fragments} fragments; {lost}", [largest, census])
    return hold(
        check,
        (seen, fragments) == (wanted, 0),
        claim,
        f"{wanted} bytes for {inner} inside, no fragments",
        f"{seen} bytes, {fragments} fragments",
        [child, largest, census],
    )
