"""Causes on the carrier's path: APNs, packets on their way, names, allowance. Layer: diagnosis, data."""

from __future__ import annotations

import re

from harness.core.entries import Answer, Seen, as_list, as_number
from harness.core.model import Plan
from harness.diagnosis.case import Case
from harness.diagnosis.rows import Accept, Cause, Sign, all_passed, holds, never, saw, stopped_at
from harness.diagnosis.signs import answered, any_of, distinct, judged, matching, other_than, ranged
from harness.stages._hq_measures import PING, read_round_trips
from harness.stages._shared import find_segment_network, is_inside

LEAST_NAT_S = 120  # RFC 4787 REQ-5: a UDP mapping MUST NOT expire in less than two minutes
SLOW_MS = 300.0  # our choice: twice the round trip of a fair cell, and below a satellite's (about 500 ms)
MANY_APNS = 3  # our choice: a list of two is common, and no trouble
LOSS_SHARE, LOSS_SEGMENTS = 0.005, 5  # our choice: above what a full queue drops of one download
_ASKED = re.compile(r"asked ([^:]+): .*(?:Timeout|NoNameservers|REFUSED|SERVFAIL)", re.IGNORECASE)


def _is_told(*, with_auth: bool) -> Accept:
    """Return whether an observation's APN is one that staging put in with, or without, credentials."""

    def accept(plan: Plan, seen: Seen) -> bool:
        apns = (a for sim in plan.branch.sims for a in sim.apns)
        return any(a.name == seen.data.get("apn") and (a.auth is not None) is with_auth for a in apns)

    return accept


def _is_ours(plan: Plan, seen: Seen) -> bool:
    return is_inside(seen.data.get("address"), [find_segment_network(s) for s in plan.branch.segments])


def _is_slow(_plan: Plan, answer: Answer) -> bool:
    rtts = read_round_trips(answer) if answer.ok else []
    return bool(rtts) and min(rtts) >= SLOW_MS


def _is_sent_again(_plan: Plan, seen: Seen) -> bool:
    again, sent = (as_number(seen.data.get(name)) or 0 for name in ("retransmitted", "segments"))
    return again >= LOSS_SEGMENTS and again >= LOSS_SHARE * sent


def _find_unanswered(case: Case) -> tuple[Seen, ...] | None:
    """Find the names that the resolver which came with a bearer did not answer. Where the profile names others, or the
    fixed line gave one, it is those that were asked."""
    given = {str(a) for s in case.evidence.find_all("carrier", "pdn.granted") for a in as_list(s.data.get("dns"))}
    asked = ((s, _ASKED.search(str(s.data.get("reason")))) for s in case.evidence.find_all("router", "clock.failed"))
    return tuple(s for s, told in asked if told and given & set(told[1].split(", "))) or None


def _refused(text: str, cause: int, accepts: Accept | None = None) -> Sign:
    return saw(text, "carrier", "pdn.refused", weight=3, cause=cause, accepts=accepts)


_BEARER = saw("the carrier has granted a bearer", "carrier", "pdn.granted", weight=0.5)
_NO_NAME = holds("the device asks the carrier's resolver, and gets no answer that helps", _find_unanswered, weight=2)
_ONLY_NAMES = never(
    "only names fail: no time server whose address is known is silent",
    "router",
    "clock.failed",
    weight=0.0,
    accepts=lambda plan, seen: seen.data.get("address") is not None,
)

CAUSES = (
    Cause(
        name="apn_unknown",
        title="the APN is unknown to the carrier",
        needs=(
            stopped_at("wan_obtained"),
            _refused("the carrier refuses an APN as unknown (ESM cause 27)", 27),
        ),
        speaks_against=(
            saw(
                "another APN is known, and refused for another reason",
                "carrier",
                "pdn.refused",
                weight=2,
                accepts=other_than(cause=27),
            ),
        ),
        tell_apart="ESM cause 33 would say that the APN exists but is not of this subscription; 29, wrong credentials.",
        at_bench="Compare the profile's APN list with the carrier's order, letter by letter.",
        at_site="Nothing: the carrier adds the APN to the subscription, or the device is staged anew.",
        sentence="The mobile network does not know this device's setting yet; leave it switched on, we are on it.",
    ),
    Cause(
        name="apn_needs_credentials",
        title="the APN asks for a user and a password, and none were staged",
        needs=(
            stopped_at("wan_obtained"),
            _refused(
                "the carrier refuses an APN for its authentication (ESM cause 29), and staging gave none for it",
                29,
                _is_told(with_auth=False),
            ),
        ),
        speaks_for=(
            never(
                "no APN with credentials is refused so",
                "carrier",
                "pdn.refused",
                weight=0.5,
                cause=29,
                accepts=_is_told(with_auth=True),
            ),
        ),
        tell_apart="The same cause for an APN that has credentials in the profile says that they are wrong.",
        at_bench="Ask the carrier for user, password and method (PAP or CHAP) of the order; put them into the profile.",
        at_site="Nothing: the device is staged anew, or the carrier takes the credentials off the APN.",
        sentence="The mobile network wants a password that this device was not given; leave it switched on.",
    ),
    Cause(
        name="wrong_credentials",
        title="user or password of the APN are wrong",
        needs=(
            stopped_at("wan_obtained"),
            _refused(
                "the carrier refuses the credentials that staging gave (ESM cause 29)", 29, _is_told(with_auth=True)
            ),
        ),
        tell_apart="The carrier does not say which of the two is wrong, nor whether it wanted the other method.",
        at_bench="Compare user, password and method with the carrier's order, letter by letter and in upper and lower "
        "case.",
        at_site="Nothing: the device is staged anew, or the carrier sets the credentials.",
        sentence="The mobile network does not accept this device's password; we put it right, leave it switched on.",
    ),
    Cause(
        name="right_apn_last",
        title="the right APN stands at the end of a long list",
        needs=(
            all_passed(),
            distinct(
                f"the carrier refuses {MANY_APNS} APNs or more before it grants one",
                "carrier",
                "pdn.refused",
                "apn",
                least=MANY_APNS,
                weight=2,
                cause=27,
            ),
        ),
        tell_apart="The device's own list (apn.tried) says which the profile has; those it lacks are staging's.",
        at_bench="Stage the device with the one APN of its order, so that it need not be refused first.",
        at_site="Nothing: it works.",
        sentence="Nothing need be done; it only takes a little longer to start.",
    ),
    Cause(
        name="small_path_mtu",
        title="beyond the bearer the path carries smaller packets than it says",
        needs=(saw("the device finds that larger packets vanish", "router", "path.narrowed", weight=3),),
        speaks_for=(stopped_at("hq_reached", weight=0.5),),
        tell_apart="A bearer with a small MTU of its own says so when it is granted; this one does not.",
        at_bench="Have the carrier mend its path, or order the MTU that it really carries.",
        at_site="Nothing: the device sends smaller packets by itself.",
        sentence="Nothing need be done; it works, and we have the mobile company look at it.",
    ),
    Cause(
        name="nat_forgets",
        title="the carrier's NAT forgets idle UDP mappings too soon",
        needs=(
            saw(
                f"the carrier keeps a UDP mapping for less than {LEAST_NAT_S} s (RFC 4787 REQ-5)",
                "carrier",
                "mapping.made",
                later=None,
                weight=2,
                accepts=ranged("kept_s", below=LEAST_NAT_S),
            ),
        ),
        tell_apart="A tunnel that goes down after a silence, again and again, and comes back as soon as it is used.",
        at_bench="Keepalives of the tunnel must be more frequent than the mapping's time; 20 s is usual (RFC 3948 4).",
        at_site="Nothing, as long as the tunnel stays.",
        sentence="Nothing need be done.",
    ),
    Cause(
        name="carrier_dns_dead",
        title="the carrier's resolver does not answer",
        needs=(stopped_at("online"), _BEARER, _NO_NAME, _ONLY_NAMES),
        speaks_for=(never("not one name is answered", "carrier", "name.answered", weight=1),),
        tell_apart="A path that is dead altogether leaves an address unanswered too, not names alone; where all is "
        "known by name, it takes a time server by its address to tell.",
        at_bench="Put resolvers of your own into the profile (first_boot.name_servers), and try again.",
        at_site="Nothing: the carrier mends it.",
        sentence="The mobile network has a fault of its own; leave it switched on, it comes back by itself.",
    ),
    Cause(
        name="carrier_dns_portal",
        title="every name leads to the carrier's portal",
        needs=(
            stopped_at("online", "checked_in", weight=0.5),
            saw("a name that cannot exist has an address", "router", "portal.detected", weight=3, by="names"),
        ),
        speaks_for=(_BEARER,),
        tell_apart="With an allowance used up names are answered as they should be, and only the page is the portal's.",
        at_bench="Ask the carrier whether the subscription is activated for use without anybody who signs in.",
        at_site="Nothing: a device cannot sign in. The carrier activates the subscription.",
        sentence="The mobile contract is not switched on yet; we have it done, leave the device switched on.",
    ),
    Cause(
        name="allowance_used_up",
        title="the subscription's allowance is used up",
        needs=(
            any_of(
                "HTTP leads to a portal that stands between the branch and everybody",
                saw("HTTP leads to a portal", "router", "portal.detected", later=None, by="http"),
                weight=3,
            ),
        ),
        speaks_for=(
            saw("the tunnel goes down too", "router", "tunnel.down", later=True),
            all_passed(),
        ),
        speaks_against=(stopped_at("checked_in", weight=0.5),),
        tell_apart="A subscription that was never activated shows its portal from the first day, not after weeks.",
        at_bench="Look at the subscription's volume in the carrier's account; order a larger one, or top it up.",
        at_site="Nothing; see whether somebody's own device was put into the branch's network.",
        sentence="This month's mobile data is used up; we add some, leave the device switched on.",
    ),
    Cause(
        name="slow_path",
        title="the way to everything takes very long",
        needs=(
            judged("the echoes of HQ come back too late", "hq_reached.rtt"),
            answered(f"each echo takes {SLOW_MS:g} ms or more", PING, _is_slow, weight=2),
        ),
        speaks_against=(
            saw("the signal is weak", "router", "signal.measured", accepts=ranged("rsrp_dbm", below=-110)),
        ),
        tell_apart="A queue that is full makes some echoes late and others not; a long way makes all of them late.",
        at_bench="Ask the carrier which way the traffic takes; a nearer gateway, or another carrier, is the cure.",
        at_site="Nothing at the device; a fixed line, if there is one, is faster.",
        sentence="The mobile network here is slow by its nature; it works, and we look for a better one.",
    ),
    Cause(
        name="bursty_loss",
        title="the radio link loses packets in bursts",
        needs=(
            saw(
                "much of the release had to be sent again",
                "management",
                "image.served",
                weight=2,
                accepts=_is_sent_again,
            ),
        ),
        speaks_against=(
            saw("the path is narrow", "router", "path.narrowed"),
            saw("the signal is weak", "router", "signal.measured", accepts=ranged("rsrp_dbm", below=-110)),
        ),
        tell_apart="A line that is only slow sends little again; a weak signal says so (RSRP, SINR).",
        at_bench="Repeat with another antenna place and another carrier; look at the SINR while it happens.",
        at_site="Move the antenna a metre or two, away from metal and from where vessels lie; near power lines, or on "
        "a roof, leave it to a licensed person.",
        sentence="Nothing need be done; the reception is poor at times, and it comes back by itself.",
    ),
    Cause(
        name="wan_subnet_equals_lan",
        title="the provider's address lies in one of the branch's own networks",
        needs=(
            any_of(
                "the device will not use an uplink that lies in the branch's own networks",
                saw("it refuses the uplink", "router", "uplink.refused", later=None),
                saw(
                    "it refuses a configuration over it",
                    "router",
                    "config.refused",
                    later=None,
                    section="uplinks",
                    accepts=matching(reason="lies in the branch's own"),
                ),
                saw(
                    "the carrier grants an address of the branch's own",
                    "carrier",
                    "pdn.granted",
                    accepts=_is_ours,
                    later=None,
                ),
                saw(
                    "the line leases an address of the branch's own",
                    "internet",
                    "dhcp.leased",
                    accepts=_is_ours,
                    later=None,
                ),
                weight=3,
            ),
        ),
        tell_apart="The address that the provider gives stands beside the branch's networks; there is no doubt.",
        at_bench="Ask the provider for a public address, or one of RFC 6598's; or renumber the segment.",
        at_site="A provider's box before the router: set its own network to another, or to pass the address through.",
        sentence="The line's box uses numbers of our own network; we change them, leave everything plugged in.",
    ),
)
