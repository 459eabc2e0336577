"""What a diagnosis may look at. Layer: diagnosis, pure.

    plan       the profile, without what others have on record for the site: that is what is to be found out
    stopped    name of the first stage that was not passed, None where all were
    evidence   what was seen, without the bench's own doings; of a bring-up that stopped, up to the end of that stage.
               What was seen while checks ran is left out: they do to a branch what faults do
    later      of a bring-up that was passed: the part of it that was seen once it was over; else nothing
    logs       what each node's daemons said (node to text); may be empty

Law: no fault that was put upon a run, and nothing that the bench did for it, gets in here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from harness.core.entries import Evidence, Seen
from harness.core.faults import is_of_bench
from harness.core.machine import RunMachine
from harness.core.model import CarrierRecord, HeadquartersRecord, InventoryRecord, Plan, Records, StageResult
from harness.core.timing import to_ns


@dataclass(frozen=True, slots=True)
class Case:
    plan: Plan
    results: tuple[StageResult, ...]
    stopped: str | None
    evidence: Evidence
    later: Evidence
    logs: Mapping[str, str] = field(default_factory=dict)

    def find_result(self, stage: str) -> StageResult | None:
        """Return a stage's result, or None where it was not run."""
        return next((r for r in self.results if r.stage == stage), None)


def build_case(machine: RunMachine, logs: Mapping[str, str] | None = None) -> Case:
    """Return the case of a run that is done (live or by replay)."""
    results = machine.results()
    stopped = next((r.stage for r in results if r.outcome not in ("PASS", "NOT_APPLICABLE")), None)
    until_ns = machine.stages_closed_ns
    seen = sorted(
        (Seen(n, o) for n, o in enumerate(machine.evidence) if not is_of_bench(o)), key=lambda s: (s.at_ns, s.index)
    )
    if stopped is not None:
        seen = [s for s in seen if s.at_ns <= until_ns]
        return Case(forget_records(machine.plan), results, stopped, Evidence(seen), Evidence(), dict(logs or {}))
    checked_ns = find_checks_end_ns(machine)
    seen = [s for s in seen if not until_ns < s.at_ns <= checked_ns]
    later = [s for s in seen if s.at_ns > until_ns]
    return Case(forget_records(machine.plan), results, None, Evidence(seen), Evidence(later), dict(logs or {}))


def find_checks_end_ns(machine: RunMachine) -> int:
    """Return when the last check that was run was over; 0 where none was."""
    ran = [p for p in machine.check_progress if p.state in ("judged", "timed_out")]
    return max((p.started_ns + to_ns(p.took_s) for p in ran if p.started_ns is not None and p.took_s), default=0)


def forget_records(plan: Plan) -> Plan:
    """Return the plan with all that others have on record left blank."""
    blank = Records(
        CarrierRecord(
            active=True, apns=(), mtu=0, rsrp_dbm=0.0, rsrq_db=0.0, sinr_db=0.0, down_bps=0, up_bps=0, delay_ms=0.0,
            jitter_ms=0.0, loss_pct=0.0,
        ),
        InventoryRecord(claimed=True, serial="", mac="", owner="", profile=""),
        HeadquartersRecord(psk=None, ike_proposals=(), esp_proposals=(), branch_subnets=()),
    )  # fmt: skip
    return replace(plan, records=blank)
