"""nat_forgets: the carrier's NAT forgets a UDP mapping that was idle for half a minute."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import IN_SERVICE, Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.faults._shared import is_cellular_first

AFTER_S = 10.0  # longer than it remembers: what is not kept alive is forgotten by then


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("carrier", "forget_mappings", idle_s=values["idle_s"]),)


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage=None,
        serves=True,
        back_within_s=60.0,
        causes=("nat_forgets",),
        why=(
            "A NAT keepalive each 20 s (RFC 3948 section 4) and dead peer detection keep the mapping, and a gateway "
            "follows its peer to another port (RFC 7296 section 2.23): the tunnel stays. When the NAT is exchanged "
            "back, the gateway hears of the new port by the next dead peer detection only. First expected back in 30 "
            "s, but a client whose echoes fail until then asks for its lease again, and has to be admitted again."
        ),
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    made = evidence.find_all("carrier", "mapping.made", kept_s=int(values["idle_s"]))
    return made[-1] if made else None


def lasts_s(plan: Plan, values: Values) -> float:
    return float(values["idle_s"]) + AFTER_S


FAULT = Fault(
    name="nat_forgets",
    order=225,
    family="carrier path",
    title="NAT forgets",
    cause="The carrier exchanged its NAT for one that keeps idle UDP mappings for less than RFC 4787 asks (REQ-5).",
    strikes="service",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    parameters=(Parameter("idle_s", "s", 30.0, (25.0, 60.0)),),
    onset=IN_SERVICE,
    lasts_s=lasts_s,
    why_not=is_cellular_first,
)
