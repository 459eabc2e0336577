"""boots_verified_release: after any fault, whatever the device started was verified in that very boot, and it runs a
release that is its own: the factory's, or the branch's."""

from __future__ import annotations

from collections.abc import Iterator

from harness.core.entries import Check, Evidence, Example, Seen, hold
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import saw

NAME = "boots_verified_release"


def split_boots(evidence: Evidence) -> Iterator[tuple[Seen, tuple[Seen, ...]]]:
    """Yield each boot's beginning, and what the loader said in it."""
    said = [s for s in evidence if s.observation.source == "router" and s.observation.part == "loader"]
    said.sort(key=lambda s: (s.at_ns, s.index))
    begins = [i for i, s in enumerate(said) if s.observation.kind == "boot.started"]
    ends = [*begins[1:], len(said)] if begins else []
    for begin, end in zip(begins, ends, strict=True):
        yield said[begin], tuple(said[begin + 1 : end])


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    boots = list(split_boots(evidence))
    started = [(s, said) for _, said in boots for s in said if s.observation.kind == "slot.started"]
    unverified = [s for s, said in started if not _is_verified(s, said)]
    seen = f"{len(started)} starts" + "".join(
        f", slot {s.data.get('slot')} of boot {s.data.get('boot_count')} unverified" for s in unverified
    )
    claim, expected = (
        "what starts was verified in that boot",
        "each start after slot.verified, none after slot.rejected",
    )
    return (
        hold(NAME, bool(started) and not unverified, claim, expected, seen, unverified or [s for s, _ in started]),
        _judge_running(plan, boots),
    )


def _is_verified(start: Seen, said: tuple[Seen, ...]) -> bool:
    """Say whether a slot's own image, of the release that starts, passed its checks before, and was not refused."""
    before = [s for s in said if s.index != start.index and s.at_ns <= start.at_ns]
    slot, release = start.data.get("slot"), start.data.get("release")
    judged = [
        s for s in before if s.observation.kind in ("slot.verified", "slot.rejected") and s.data.get("slot") == slot
    ]
    return bool(judged) and judged[-1].observation.kind == "slot.verified" and judged[-1].data.get("release") == release


def _judge_running(plan: Plan, boots: list[tuple[Seen, tuple[Seen, ...]]]) -> Finding:
    claim, known = "the device runs a release of its own", (plan.hardware.factory_release, plan.branch.release)
    expected = " or ".join(dict.fromkeys(known))
    if not boots:
        return hold(NAME, False, claim, expected, "nothing: the device never booted")
    begin, said = boots[-1]
    running = [s for s in said if s.observation.kind == "slot.started"]
    if not running:
        return hold(NAME, False, claim, expected, "nothing is started since the last boot", [begin])
    release = running[-1].data.get("release")
    return hold(NAME, release in known, claim, expected, str(release), running[-1:])


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    return ()


INVARIANT = Check(
    name=NAME,
    order=20,
    title="The device starts nothing but a verified release",
    after="hq_reached",
    why_not=lambda plan: None,
    judge=judge,
    timeout_s=5.0,
    actions=act,
)


def _boot(at_s: float, cause: str = "power") -> Observation:
    return saw("router/loader", "boot.started", at_s, boot_count=1, cause=cause, label={})


def _verified(at_s: float, slot: str, release: str) -> Observation:
    return saw("router/loader", "slot.verified", at_s, slot=slot, release=release, sha256="ab")


def _rejected(at_s: float, slot: str) -> Observation:
    return saw("router/loader", "slot.rejected", at_s, slot=slot, reason="corrupted: expected ab, saw cd")


def _started(at_s: float, slot: str, release: str) -> Observation:
    return saw("router/loader", "slot.started", at_s, slot=slot, release=release, boot_count=1, trial=slot == "b")


_FACTORY = (_boot(0.5), _verified(0.6, "a", "1.0.0"), _started(0.7, "a", "1.0.0"))
EXAMPLES = (
    Example(
        "the factory's release, then the branch's",
        "PASS",
        (*_FACTORY, _boot(9.0, "reboot"), _verified(9.1, "b", "2.1.0"), _started(9.2, "b", "2.1.0")),
    ),
    Example(
        "the new slot is refused, the old one starts",
        "PASS",
        (*_FACTORY, _boot(9.0), _rejected(9.1, "b"), _verified(9.2, "a", "1.0.0"), _started(9.3, "a", "1.0.0")),
    ),
    Example("a refused slot starts", "FAIL", (*_FACTORY, _boot(9.0), _rejected(9.1, "b"), _started(9.2, "b", "2.1.0"))),
    Example("verified in the boot before only", "FAIL", (*_FACTORY, _boot(9.0), _started(9.2, "a", "1.0.0"))),
    Example(
        "another slot was verified",
        "FAIL",
        (*_FACTORY, _boot(9.0), _verified(9.1, "a", "1.0.0"), _started(9.2, "b", "2.1.0")),
    ),
    Example(
        "a release that is nobody's",
        "FAIL",
        (*_FACTORY, _boot(9.0), _verified(9.1, "b", "6.6.6"), _started(9.2, "b", "6.6.6")),
    ),
    Example("nothing starts after the last boot", "FAIL", (*_FACTORY, _boot(9.0), _rejected(9.1, "a"))),
)
