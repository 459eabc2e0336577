"""no_common_proposal: the gateway takes none of the cipher suites that the branch offers."""

from __future__ import annotations

from harness.core.entries import Evidence, Seen
from harness.core.faults import Doing, Expectation, Fault, Parameter, Values, impair
from harness.core.model import Plan
from harness.core.proposals import is_among_esp, is_among_ike
from harness.faults._tunnel import CLIENT_S, LONGEST_PAUSE_S

IKE_SUITES = ("aes128-sha512-modp2048", "aes128gcm16-prfsha512-modp3072")
ESP_SUITES = ("aes128-sha512", "aes128gcm16")
"""Other suites than the profiles', all allowed by RFC 8247 and RFC 8221: the first that is not the branch's own."""


def _find_others(plan: Plan, values: Values) -> list[str]:
    """Return the suites that the branch does not offer."""
    tunnel = plan.branch.tunnel
    if values["of"] == "esp":
        return [suite for suite in ESP_SUITES if not is_among_esp(suite, tunnel.esp_proposals)]
    return [suite for suite in IKE_SUITES if not is_among_ike(suite, tunnel.ike_proposals)]


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    return (impair("hq-gateway", "change_proposals", **{str(values["of"]): _find_others(plan, values)[:1]}),)


def why_not(plan: Plan, values: Values) -> str | None:
    return None if _find_others(plan, values) else "the branch offers every suite that the gateway would be left with"


def expects(plan: Plan, values: Values) -> Expectation:
    return Expectation(
        stage="tunnel_up",
        serves=False,
        back_within_s=LONGEST_PAUSE_S + CLIENT_S,
        causes=("no_common_proposal",),
        why="NO_PROPOSAL_CHOSEN, and no weaker suite is tried instead (RFC 7296 section 2.7).",
    )


def shows(plan: Plan, values: Values, evidence: Evidence) -> Seen | None:
    return evidence.find_first("hq-gateway", "sa.refused", reason=f"no_{values['of']}_proposal")


FAULT = Fault(
    name="no_common_proposal",
    order=705,
    family="tunnel and HQ",
    title="no common proposal",
    cause="One end was hardened, or renewed, and the other was not told.",
    strikes="tunnel_up",
    met="common",
    doings=doings,
    expects=expects,
    shows=shows,
    why_not=why_not,
    parameters=(Parameter("of", "the SA: `ike` or `esp`", "ike", ("esp",)),),
)
