"""What the faults of time, trust and management share. Layer: faults, pure."""

from __future__ import annotations

import re

from harness.core.entries import Evidence, Seen
from harness.core.faults import Expectation, Values
from harness.core.model import Plan

BACK_S = 90.0
"""The longest pause between two rounds of the device (half a minute, and it goes round all its life), and a bring-up:
the rounds begin some seconds before a stage's budget does, and the cause goes when that is over."""


def stop_at(stage: str, cause: str, why: str) -> Expectation:
    """Return what is expected where the device waits at a stage, unharmed, until the cause is gone."""
    return Expectation(stage=stage, serves=False, back_within_s=BACK_S, causes=(cause,), why=why)


def find_said(evidence: Evidence, pattern: str, **fields: object) -> Seen | None:
    """Return the first thing that the device says of its bootstrap in words that a pattern describes."""
    known = re.compile(pattern)
    said = evidence.find_all("router", "bootstrap.progressed", **fields)
    return next((s for s in said if known.search(str(s.data.get("detail")))), None)


def find_refused(evidence: Evidence, words: str) -> Seen | None:
    """Return the first session that management refused for a reason that holds some words."""
    refused = evidence.find_all("management", "session.refused")
    return next((s for s in refused if words in str(s.data.get("reason"))), None)


def needs_name(plan: Plan, values: Values) -> str | None:
    """Return why a fault of the management server's name cannot befall the branch: it is known by address."""
    address = plan.branch.bootstrap[0].address
    return "management is known by its address" if address.replace(".", "").isdigit() else None
