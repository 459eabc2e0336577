"""configured: the device reports that the configuration it was served is in force, and keeps it (RFC 8572 5.6)."""

from __future__ import annotations

from harness.core.entries import Evidence, Example, Hint, Need, Seen, Stage, hold, leave_open
from harness.core.model import Finding, Observation, Plan
from harness.core.sample import saw


def needs(plan: Plan) -> tuple[Need, ...]:
    def is_complete(plan: Plan, seen: Observation) -> bool:
        return seen.data.get("progress_type") == "bootstrap-complete" and seen.data.get("status") == 204

    return (Need("management", "report.received", is_complete, "management takes the report bootstrap-complete"),)


def _find_report(evidence: Evidence) -> Seen | None:
    return evidence.find_first("management", "report.received", progress_type="bootstrap-complete", status=204)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    report = _find_report(evidence)
    return () if report is None else (_judge_digest(evidence, report), _judge_kept(evidence, report))


def _judge_digest(evidence: Evidence, report: Seen) -> Finding:
    check, claim = "configured.digest", "what the device put in force is what it was served"
    served = [s for s in evidence.find_all("management", "config.served") if s.at_ns <= report.at_ns]
    if not served:
        return leave_open(
            check, claim, "the digest of what was served", "nothing: management served no configuration", [report]
        )
    digest, message = str(served[-1].data.get("digest") or ""), str(report.data.get("message") or "")
    holds = bool(digest) and digest in message
    return hold(check, holds, claim, f"SHA-256 {digest} in the report", message or "no message", [served[-1], report])


def _judge_kept(evidence: Evidence, report: Seen) -> Finding:
    backs = [s for s in evidence.find_all("router", "config.rolled_back") if s.at_ns >= report.at_ns]
    seen = f"rolled back: {backs[0].data.get('reason')}" if backs else "not rolled back by the end of the run"
    claim = "the configuration is kept"
    return hold("configured.kept", not backs, claim, "no roll-back after the report", seen, backs or [report])


def summary(plan: Plan, evidence: Evidence) -> str:
    served = evidence.find_last("management", "config.served")
    return f"{served.data.get('bytes')} bytes, SHA-256 {str(served.data.get('digest'))[:12]}..." if served else ""


STAGE = Stage(
    name="configured",
    order=60,
    title="The configuration is in force",
    witness="management: the report bootstrap-complete is received and answered 204",
    needs=needs,
    judge=judge,
    summary=summary,
    hints=(
        Hint("router", "config.rolled_back", ("reason",)),
        Hint(
            "management",
            "report.received",
            ("progress_type", "message"),
            lambda seen: str(seen.data.get("progress_type")).endswith(("-error", "-warning")),
        ),
        Hint("management", "session.refused", ("reason", "serial")),
    ),
)

_DIGEST = "5e" * 32
_SERVED = saw("management", "config.served", 26.0, serial="SK-000017", digest=_DIGEST, bytes=2048)
_BACK = saw("router/runtime", "config.rolled_back", 31.0, digest=_DIGEST, reason="management does not answer")


def _report(at_s: float, kind: str, message: str) -> Observation:
    return saw(
        "management", "report.received", at_s, serial="SK-000017", progress_type=kind, message=message, status=204
    )


_COMPLETE = _report(28.0, "bootstrap-complete", f"configuration sha256 {_DIGEST}")

EXAMPLES = (
    Example("reported and kept", "PASS", (_SERVED, _COMPLETE)),
    Example(
        "another digest is reported", "FAIL", (_SERVED, _report(28.0, "bootstrap-complete", "sha256 " + "00" * 32))
    ),
    Example("the device cannot apply it", "FAIL", (_SERVED, _report(28.0, "config-error", "vlan 10 twice"), _BACK)),
    Example("nothing is reported", "FAIL", (_SERVED,)),
    Example("management never said what it served", "INCONCLUSIVE", (_COMPLETE,)),
)
