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


def doings(plan: Plan, values: Values) -> tuple[Doing, ...]:
    tunnel = plan.branch.tunnel
    if values["of"] == "esp":
        others = [suite for suite in ESP_SUITES if not is_among_esp(suite, tunnel.esp_proposals)]
        return (impair("hq-gateway", "change_proposals", esp=others[:1]),)
    others = [suite for suite in IKE_SUITES if not is_among_ike(suite, tunnel.ike_proposals)]
    return (impair("hq-gateway", "change_proposals", ike=others[:1]),)


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
    parameters=(Parameter("of", "the SA: `ike` or `esp`", "ike", ("esp",)),),
)
