"""upgraded: the device asks for its bootstrapping data again, now running the branch's release.

RFC 8572 section 5.6: image first, reboot, then the whole bootstrap anew. Where the factory's release is the branch's,
there is nothing to upgrade.
"""

from __future__ import annotations

from harness.core.entries import Evidence, Example, Hint, Need, Stage, as_count, as_number, hold, set_aside
from harness.core.model import Finding, Observation, Plan
from harness.core.sample import build_plan, saw
from harness.stages._shared import is_upgrade


def needs(plan: Plan) -> tuple[Need, ...]:
    release = plan.branch.release

    def is_release(plan: Plan, seen: Observation) -> bool:
        return seen.data.get("os_version") == release

    return (Need("management", "data.requested", is_release, f"management is asked for data by release {release}"),)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    if not is_upgrade(plan):
        return (
            set_aside("upgraded.image", "the image is fetched whole", "the factory release is the branch's release"),
        )
    return _judge_image(evidence), _judge_rate(evidence), _judge_slot(plan, evidence), *_judge_rest(plan, evidence)


def _judge_image(evidence: Evidence) -> Finding:
    fetched = evidence.find_last("router", "image.fetched", verified=True)
    served = evidence.find_all("management", "image.served")
    served_bytes = sum(as_count(s.data.get("bytes")) for s in served)
    claim = "management served as many bytes as the device fetched, and their SHA-256 was verified"
    expected = "image.fetched verified, and at least its bytes served"
    if fetched is None:
        return hold("upgraded.image", False, claim, expected, "nothing: no verified image.fetched", served)
    size = as_count(fetched.data.get("bytes"))
    seen = f"{size} bytes fetched, {served_bytes} served in {len(served)} answers, SHA-256 {fetched.data.get('sha256')}"
    return hold("upgraded.image", 0 < size <= served_bytes, claim, expected, seen, [fetched, *served])


def _judge_rate(evidence: Evidence) -> Finding:
    fetched = evidence.find_last("router", "image.fetched")
    return hold(
        "upgraded.rate",
        True,
        "how the image came over the uplink (information)",
        "any rate",
        _tell_rate(evidence),
        [fetched],
    )


def _tell_rate(evidence: Evidence) -> str:
    fetched = evidence.find_last("router", "image.fetched")
    took_s = as_number(fetched.data.get("took_s")) if fetched else None
    if fetched is None or not took_s:
        return "nothing: no time was reported"
    size = as_count(fetched.data.get("bytes"))
    resumes = fetched.data.get("resumes")
    return f"{size / 1e6:.1f} MB in {took_s:.1f} s, {size * 8 / took_s / 1e6:.1f} Mbit/s, {resumes} resumes"


def _judge_slot(plan: Plan, evidence: Evidence) -> Finding:
    first = evidence.find_first("router", "slot.started")
    new = evidence.find_first("router", "slot.started", release=plan.branch.release)
    slots = [s.data.get("slot") if s else None for s in (first, new)]
    return hold(
        "upgraded.slot",
        None not in slots and slots[0] != slots[1],
        "the new release runs from the other slot, the factory's is left whole",
        "another slot than the first",
        f"first slot {slots[0]}, release {plan.branch.release} in slot {slots[1]}",
        [first, new],
    )


def _judge_rest(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    return _judge_before(plan, evidence), _judge_kept(evidence)


def _judge_kept(evidence: Evidence) -> Finding:
    backs = evidence.find_all("router", "slot.fell_back")
    seen = f"fell back: {backs[0].data.get('reason')}" if backs else "not fallen back by the end of the run"
    claim = "the new release is kept"
    return hold("upgraded.kept", not backs, claim, "no fall-back to the factory's slot", seen, backs)


def _judge_before(plan: Plan, evidence: Evidence) -> Finding:
    asked = evidence.find_first("management", "data.requested")
    version = asked.data.get("os_version") if asked else None
    factory = plan.hardware.factory_release
    return hold(
        "upgraded.before",
        version == factory,
        "before, management was asked by the factory release",
        factory,
        f"{version}",
        [asked],
    )


def summary(plan: Plan, evidence: Evidence) -> str:
    if not is_upgrade(plan):
        return f"{plan.branch.release} was there already"
    return f"{plan.hardware.factory_release} to {plan.branch.release}, {_tell_rate(evidence)}"


STAGE = Stage(
    name="upgraded",
    order=50,
    title="The branch's release runs",
    witness="management: bootstrapping data is asked for by the branch's release",
    needs=needs,
    judge=judge,
    summary=summary,
    hints=(
        Hint("router", "image.fetched", ("bytes", "resumes", "verified"), lambda seen: not seen.data.get("verified")),
        Hint(
            "management",
            "report.received",
            ("progress_type", "message"),
            lambda seen: str(seen.data.get("progress_type")).endswith("-error"),
        ),
        Hint("router", "image.failed", ("reason", "detail")),
        Hint("router", "slot.rejected", ("slot", "reason")),
        Hint("router", "slot.fell_back", ("from_slot", "to_slot", "reason")),
        Hint("management", "image.served", ("status", "bytes")),
    ),
)


def _ask(at_s: float, release: str) -> Observation:
    return saw(
        "management", "data.requested", at_s, serial="SK-000017", os_name="brt", os_version=release, hw_model="lte4"
    )


_OLD = saw("router/loader", "slot.started", 0.6, slot="a", release="1.0.0", boot_count=1, trial=False)
_SERVED = (
    saw("management", "image.served", 12.0, serial="SK-000017", status=200, range_start=0, bytes=5_000_000, took_s=2.0),
    saw(
        "management",
        "image.served",
        15.0,
        serial="SK-000017",
        status=206,
        range_start=5_000_000,
        bytes=3_400_000,
        took_s=2.0,
    ),
)
_FETCHED = saw(
    "router/runtime", "image.fetched", 15.1, bytes=8_400_000, took_s=4.2, resumes=1, sha256="ab", verified=True
)
_DAMAGED = saw(
    "router/runtime", "image.fetched", 15.1, bytes=8_400_000, took_s=4.2, resumes=1, sha256="cd", verified=False
)
_WHOLE = (
    saw("management", "image.served", 12.0, serial="SK-000017", status=200, range_start=0, bytes=8_400_000, took_s=3.9),
    saw("router/runtime", "image.fetched", 15.1, bytes=8_400_000, took_s=4.2, resumes=0, sha256="ab", verified=True),
)
_NEW = saw("router/loader", "slot.started", 18.0, slot="b", release="2.1.0", boot_count=2, trial=True)
_SAME = saw("router/loader", "slot.started", 18.0, slot="a", release="2.1.0", boot_count=2, trial=True)

EXAMPLES = (
    Example(
        "image, reboot, the new release asks",
        "PASS",
        (_OLD, _ask(11.0, "1.0.0"), *_WHOLE, _NEW, _ask(25.0, "2.1.0")),
    ),
    Example(
        "the image comes in two parts",
        "PASS",
        (_OLD, _ask(11.0, "1.0.0"), *_SERVED, _FETCHED, _NEW, _ask(25.0, "2.1.0")),
    ),
    Example("the image is damaged", "FAIL", (_OLD, _ask(11.0, "1.0.0"), *_SERVED, _DAMAGED)),
    Example("the old release asks again", "FAIL", (_OLD, _ask(11.0, "1.0.0"), _ask(25.0, "1.0.0"))),
    Example(
        "the factory's slot was written over",
        "FAIL",
        (_OLD, _ask(11.0, "1.0.0"), *_SERVED, _FETCHED, _SAME, _ask(25.0, "2.1.0")),
    ),
    Example(
        "the new release asks, then the loader falls back",
        "FAIL",
        (
            *(_OLD, _ask(11.0, "1.0.0"), *_SERVED, _FETCHED, _NEW),
            saw("router/loader", "slot.fell_back", 24.0, from_slot="b", to_slot="a", reason="trial not confirmed"),
            _ask(25.0, "2.1.0"),
        ),
    ),
    Example("the release is the factory's", "PASS", (_OLD, _ask(11.0, "1.0.0")), build_plan(release="1.0.0")),
)
