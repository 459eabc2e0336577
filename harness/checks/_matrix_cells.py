"""What is tried in each cell of the matrix, and what came of it. Layer: checks, pure. Judged in matrix.py."""

from __future__ import annotations

from dataclasses import dataclass

from emulators.common.controls import ANY
from harness.checks._vantages import Spot, find_screen, is_filtered, is_open, list_spots
from harness.core.entries import Evidence
from harness.core.model import Plan
from harness.core.sections import Segment

TRIED = (
    "icmp", "tcp/22", "tcp/80", "tcp/443", "tcp/445", "tcp/3389", "tcp/8443", "udp/161", "udp/514", "udp/5004",
)  # fmt: skip
"""Tried in every cell, beside what the cell names: what somebody inside would try first. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Try:
    """One try; `may`: the matrix opens it."""

    spot: Spot
    service: str
    token: str
    may: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a try; `outcome` as the client saw it, `arrived` as the target did."""

    tried: Try
    outcome: str
    arrived: bool

    @property
    def holds(self) -> bool:
        """Say whether it is as the matrix says."""
        return self.outcome == "open" if self.tried.may else self.outcome != "open" and not self.arrived

    def tell(self) -> str:
        """Return it in words."""
        there = " (arrived)" if self.arrived and self.outcome != "open" else ""
        return f"{self.tried.service} {self.outcome}{there}"


def list_services(plan: Plan, segment: Segment, place: str) -> tuple[str, ...]:
    """Return what is tried in a cell. Behind an application firewall only what the matrix alone decides."""
    named = [s for row in segment.reach if row.to == place for s in row.open if s != ANY]
    services = tuple(dict.fromkeys((*TRIED, *named)))
    if place != "internet":
        return services
    screen = find_screen(plan, segment)
    if screen is not None:
        services = tuple(dict.fromkeys((*services, *sorted(screen))))
        services = tuple(s for s in services if s in screen or not is_open(segment, place, s))
    return tuple(s for s in services if not is_filtered(plan, segment, s))


def list_tries(plan: Plan, evidence: Evidence, check: str, client: str, segment: Segment) -> tuple[Try, ...]:
    """Return all that a client tries, in order; each bears a token of its own."""
    tries: list[Try] = []
    for spot in list_spots(plan, evidence):
        if spot.place != segment.name:
            for service in list_services(plan, segment, spot.place):
                token = f"{check}.{client}.{len(tries)}"
                tries.append(Try(spot, service, token, is_open(segment, spot.place, service)))
    return tuple(tries)
