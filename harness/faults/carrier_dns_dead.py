"""carrier_dns_dead: the carrier's resolver does not answer."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._carrier_path import asks_carrier


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "hush_names", how=values["how"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="online",
        serves=False,
        back_within_s=120.0,
        causes=("carrier_dns_dead",),
        why=(
            "The profile names no other resolver: without the carrier's the device knows no server's address. It tries "
            "again after half a minute at most, and then the whole bring-up is still to come. First expected back in "
            "90 s; a loaded bench took 82."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    failed = evidence.find_all("router", "clock.failed", address=None)
    return next((s for s in failed if "asked" in str(s.data.get("reason"))), None)


FAULT = Fault(
    name="carrier_dns_dead",
    order=230,
    family="carrier path",
    title="carrier DNS dead",
    cause="The resolver that the carrier names is down, or takes no questions from these addresses.",
    strikes="online",
    met="occasional",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("how", "silent, or refuses", "silent", ("refuses",)),),
    why_not=asks_carrier,
)
