"""Faults that would change nothing of a branch are not put upon it: they say why."""

from __future__ import annotations

from dataclasses import replace

from harness.core.entries import Evidence, Seen
from harness.core.sample import build_plan, saw
from harness.faults import bound_to_other_profile, bursty_loss, no_common_proposal, weak_signal

PLAN = build_plan()


def test_a_branch_that_offers_every_suite_is_left_none_in_common() -> None:
    fault = no_common_proposal.FAULT
    for of, known in (("ike", no_common_proposal.IKE_SUITES), ("esp", no_common_proposal.ESP_SUITES)):
        assert fault.why_not(PLAN, {"of": of}) is None
        tunnel = replace(PLAN.branch.tunnel, **{f"{of}_proposals": known})
        assert fault.why_not(replace(PLAN, branch=replace(PLAN.branch, tunnel=tunnel)), {"of": of}) is not None


def test_a_branch_of_the_other_profile_is_bound_rightly() -> None:
    fault = bound_to_other_profile.FAULT
    other = replace(PLAN, branch=replace(PLAN.branch, profile=bound_to_other_profile.OTHER_PROFILE))
    assert fault.why_not(PLAN, {}) is None
    assert fault.why_not(other, {}) is not None


def test_a_signal_that_is_weak_anyway_shows_no_fault() -> None:
    fault = weak_signal.FAULT
    carrier = replace(PLAN.records.carrier, rsrp_dbm=-117.0)
    weak = replace(PLAN, records=replace(PLAN.records, carrier=carrier))
    assert fault.why_not(PLAN, fault.usual()) is None
    assert fault.why_not(weak, fault.usual()) is not None


def test_what_a_full_queue_costs_shows_no_bursts() -> None:
    """Three segments sent again: seen in runs without any fault; 37 and more: in those with it."""
    shows = bursty_loss.FAULT.shows
    for again, is_shown in ((3, False), (37, True)):
        served = saw("management", "image.served", 20.0, retransmitted=again, segments=3000)
        assert (shows(PLAN, bursty_loss.FAULT.usual(), Evidence([Seen(0, served)])) is not None) is is_shown
