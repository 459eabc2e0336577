"""release_never_confirms: the new release starts, but has a bug and never says that it is well."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._firmware import BACK_S, STAGE, has_upgrade

BUGS = {"hangs": "hanging", "crashes": "crashing"}


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("management", "replace_image", by=BUGS[str(values["how"])]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=STAGE,
        serves=False,
        back_within_s=BACK_S,
        causes=("release_never_confirms",),
        why="The boot loader gives it its trial time, then starts the old release, which management hears. The image "
        "rests before it is tried again, longer each time, so the device does not restart for ever; another image of "
        "the release is taken at once. First expected to be fetched and tried over and over, since the loader forgot "
        "what had failed; but it now remembers.",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("router", "slot.fell_back")


FAULT = Fault(
    name="release_never_confirms",
    order=546,
    family="firmware",
    title="release never confirms itself",
    cause="A release with a bug that shows on this branch only, and not on the bench where it was tried.",
    strikes="upgraded",
    met="rare",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("how", "word", "hangs", ("crashes",)),),
    why_not=has_upgrade,
)
