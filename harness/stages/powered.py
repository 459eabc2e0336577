"""powered: the loader started the factory release. The one stage whose witness is the router's own console."""

from __future__ import annotations

from harness.core.entries import Evidence, Example, Hint, Need, Stage, hold
from harness.core.model import Action, Finding, Observation, Plan, PowerOn
from harness.core.sample import build_plan, saw


def needs(plan: Plan) -> tuple[Need, ...]:
    def is_loader(plan: Plan, seen: Observation) -> bool:
        return seen.part == "loader"

    return (Need("router", "slot.started", is_loader, "the console says that a firmware slot starts"),)


def act(plan: Plan, evidence: Evidence) -> tuple[Action, ...]:
    return (PowerOn(),)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    started = evidence.find_first("router", "slot.started")
    if started is None:
        return ()
    slot, release = started.data.get("slot"), started.data.get("release")
    verified = evidence.find_first("router", "slot.verified", slot=slot, release=release)
    early = verified is not None and verified.at_ns <= started.at_ns
    boot = evidence.find_first("router", "boot.started")
    count = boot.data.get("boot_count") if boot else None
    label = boot.data.get("label") if boot else None
    ours = {"serial": plan.branch.serial, "mac": plan.branch.mac}
    factory = plan.hardware.factory_release
    return (
        hold(
            "powered.release",
            release == factory,
            "the device starts as it left the factory",
            f"release {factory}",
            f"release {release} in slot {slot}",
            [started],
        ),
        hold(
            "powered.verified",
            early,
            "the slot's signature was checked before it was started",
            f"slot.verified for slot {slot} before slot.started",
            "verified" if early else "nothing: started without",
            [verified, started],
        ),
        hold(
            "powered.label",
            label == ours,
            "the device on the bench is the site's, by its label",
            f"serial {ours['serial']}, MAC {ours['mac']}",
            f"{label}",
            [boot, started],
        ),
        hold(
            "powered.boot_count",
            count == 1,
            "this is the device's first boot",
            "boot count 1",
            f"boot count {count}",
            [boot, started],
        ),
    )


def summary(plan: Plan, evidence: Evidence) -> str:
    started = evidence.find_first("router", "slot.started")
    return f"release {started.data.get('release')} in slot {started.data.get('slot')}" if started else ""


STAGE = Stage(
    name="powered",
    order=10,
    title="Power comes on",
    witness="the router's console: the loader starts a slot",
    needs=needs,
    actions=act,
    judge=judge,
    summary=summary,
    hints=(Hint("router", "slot.rejected", ("slot", "reason")), Hint("router", "node.failed", ("error",))),
)

_LABEL = {"serial": build_plan().branch.serial, "mac": build_plan().branch.mac}
_BOOT = saw("router/loader", "boot.started", 0.2, boot_count=1, cause="power", label=_LABEL)
_OTHER = saw("router/loader", "boot.started", 0.2, boot_count=1, cause="power", label={**_LABEL, "serial": "XX-0"})
_VERIFIED = saw("router/loader", "slot.verified", 0.5, slot="a", release="1.0.0", sha256="aa")
_STARTED = saw("router/loader", "slot.started", 0.6, slot="a", release="1.0.0", boot_count=1, trial=False)
_REJECTED = saw("router/loader", "slot.rejected", 0.5, slot="a", reason="signature")

EXAMPLES = (
    Example("factory release starts", "PASS", (_BOOT, _VERIFIED, _STARTED)),
    Example("nothing on the console", "FAIL", ()),
    Example("the slot is rejected", "FAIL", (_BOOT, _REJECTED)),
    Example("another site's device", "FAIL", (_OTHER, _VERIFIED, _STARTED)),
    Example("a slot starts unverified", "FAIL", (_BOOT, _STARTED)),
)
