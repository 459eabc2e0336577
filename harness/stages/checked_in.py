"""checked_in: the management server took the device's first progress report (RFC 8572 section 5.6: answered 204)."""

from __future__ import annotations

from typing import Any

from harness.core.entries import Evidence, Example, Hint, Need, Seen, Stage, as_number, hold, set_aside
from harness.core.model import Finding, Observation, Plan
from harness.core.sample import saw
from harness.stages._shared import tell

DATE_LIMIT_S = 2.0
"""One second, the clock's own limit, and one more because an HTTP Date has whole seconds (RFC 9110 section 5.6.7)."""


def needs(plan: Plan) -> tuple[Need, ...]:
    def is_first(plan: Plan, seen: Observation) -> bool:
        return seen.data.get("progress_type") == "bootstrap-initiated" and seen.data.get("status") == 204

    return (Need("management", "report.received", is_first, "management takes the report bootstrap-initiated"),)


def _find_report(evidence: Evidence) -> Seen | None:
    return evidence.find_first("management", "report.received", progress_type="bootstrap-initiated", status=204)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    report = _find_report(evidence)
    if report is None:
        return ()
    branch = plan.branch
    wanted = {"serial": branch.serial, "mac": branch.mac, "owner": branch.owner}
    same = tuple(
        hold(
            f"checked_in.{key}",
            _same(report.data.get(key), value),
            f"the device that checked in has the site's {key}",
            value,
            f"{report.data.get(key)}",
            [report],
        )
        for key, value in wanted.items()
    )
    return (*same, _judge_date(report))


def _same(seen: object, wanted: str) -> bool:
    return isinstance(seen, str) and seen.casefold() == wanted.casefold()


def _judge_date(report: Seen) -> Finding:
    check, claim = "checked_in.date", "management finds the device's clock right"
    skew_s = as_number(report.data.get("date_skew_s"))
    if skew_s is None:
        return set_aside(check, claim, "the device's request carried no Date")
    return hold(check, abs(skew_s) <= DATE_LIMIT_S, claim, f"at most {DATE_LIMIT_S:g} s", f"{skew_s:+.3f} s", [report])


def summary(plan: Plan, evidence: Evidence) -> str:
    report = _find_report(evidence)
    return tell(report.data, "serial", "owner") if report else ""


STAGE = Stage(
    name="checked_in",
    order=40,
    title="The device checks in",
    witness="management: the report bootstrap-initiated is received and answered 204",
    needs=needs,
    judge=judge,
    summary=summary,
    hints=(
        Hint("management", "session.refused", ("reason", "serial")),
        Hint(
            "management",
            "restconf.exchanged",
            ("method", "path", "status", "error_tag", "serial"),
            lambda seen: isinstance(seen.data.get("status"), int) and seen.data["status"] >= 400,
        ),
        Hint("router", "bootstrap.progressed", ("step", "detail")),
    ),
)


def _report(at_s: float, kind: str, **changes: Any) -> Observation:
    data: dict[str, Any] = {
        "serial": "SK-000017",
        "mac": "02:5b:00:00:00:11",
        "owner": "Skerry Line",
        "progress_type": kind,
        "message": None,
        "status": 204,
        "date_skew_s": -0.3,
    }
    return saw("management", "report.received", at_s, **{**data, **changes})


_REFUSED = saw("management", "session.refused", 7.0, reason="serial is not in the inventory", serial="SK-000017")

EXAMPLES = (
    Example("the first report is taken", "PASS", (_report(8.0, "bootstrap-initiated"),)),
    Example("the session is refused", "FAIL", (_REFUSED,)),
    Example("the report is not answered 204", "FAIL", (_report(8.0, "bootstrap-initiated", status=403),)),
    Example("another report", "FAIL", (_report(8.0, "config-complete"),)),
    Example("another device's serial", "FAIL", (_report(8.0, "bootstrap-initiated", serial="SK-000071"),)),
    Example("a clock years off", "FAIL", (_report(8.0, "bootstrap-initiated", date_skew_s=-9e7),)),
    Example("no Date at all", "PASS", (_report(8.0, "bootstrap-initiated", date_skew_s=None),)),
)
