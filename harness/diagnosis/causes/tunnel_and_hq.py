"""Causes in the tunnel and at headquarters. Layer: diagnosis, data.

The gateway says why it refuses, the device why it does not get through; where both are silent, what still works tells.
"""

from __future__ import annotations

from ipaddress import IPv4Network
from itertools import pairwise
from typing import Any

from harness.core.entries import Seen, as_list
from harness.core.model import Plan
from harness.core.timing import to_ns
from harness.diagnosis.case import Case
from harness.diagnosis.rows import Cause, Sign, holds, never, saw, stopped_at
from harness.diagnosis.signs import all_of, answered, any_of, distinct, matching, none_of, then

HEARTBEATS = 3
"""So many beats may be awaited before a device counts as unheard: our choice, one may be lost and one may be late."""
LATE_S, AWAITED_S = 2.0, 20.0
"""A heartbeat's own way, and how long a request is awaited at least before it is given up, seconds: our choice."""
_HEARD = ("echo.received", "log.received", "log.rejected", "radius.answered", "http.served")


def _refused(text: str, *reasons: str, weight: float = 3) -> Sign:
    signs = (saw(text, "hq-gateway", "sa.refused", later=None, reason=reason) for reason in reasons)
    return any_of(text, *signs, weight=weight)


def _failed(text: str, *, weight: float = 1, **fields: Any) -> Sign:
    return saw(text, "router", "tunnel.failed", later=None, weight=weight, **fields)


def _find_lone_silence(case: Case) -> tuple[Seen, ...] | None:
    """Find where the gateway answered neither IKE nor an echo while management heard the device all along."""
    whole = tuple(case.evidence)
    beats = [s.at_ns for s in whole if (s.observation.source, s.observation.kind) == _BEAT]
    failures = (s for s in whole if (s.observation.source, s.observation.kind) == _FAILED)
    silences = (s for s in failures if s.data.get("echo") == "silent")
    patience_ns = to_ns(HEARTBEATS * case.plan.branch.heartbeat_s + LATE_S)
    return tuple(s for s in silences if _is_heard_all_along(beats, s.at_ns, patience_ns)) or None


def _is_heard_all_along(beats: list[int], until_ns: int, patience_ns: int) -> bool:
    """Say whether a heartbeat came while the device awaited an answer, and no two lay further apart than is patient."""
    since_ns = until_ns - to_ns(AWAITED_S)
    heard = [b for b in beats if since_ns < b <= until_ns]
    gaps = pairwise([since_ns, *heard, until_ns])
    return bool(heard) and all(after - before <= patience_ns for before, after in gaps)


_BEAT, _FAILED = ("management", "heartbeat.received"), ("router", "tunnel.failed")


def _differs(plan: Plan, seen: Seen) -> bool:
    """Say whether the gateway gave this branch other networks than the profile names."""
    known = {str(n) for n in as_list(seen.data.get("remote_ts"))}
    return seen.data.get("peer") == plan.branch.tunnel.local_id and known != set(plan.branch.tunnel.local_subnets)


def _parse_network(text: str) -> tuple[IPv4Network, ...]:
    """Return the network that a text names, or nothing: a tape may hold anything."""
    try:
        return (IPv4Network(text),)
    except ValueError:
        return ()


def _is_of_another(plan: Plan, seen: Seen) -> bool:
    """Say whether the gateway gave another peer a network of this branch's."""
    own = [IPv4Network(n) for n in plan.branch.tunnel.local_subnets]
    given = [n for text in as_list(seen.data.get("remote_ts")) for n in _parse_network(str(text))]
    is_other = seen.data.get("peer") not in (None, plan.branch.tunnel.local_id)
    return is_other and any(one.overlaps(other) for one in own for other in given)


_DOWN = saw("the device says that the tunnel is down", "router", "tunnel.down", later=None)
_INIT_500 = _failed("IKE's first request is not answered on port 500", exchange="IKE_SA_INIT", reason="no_answer",
                    port=500)  # fmt: skip

_NO_LOG_IN = saw(
    "the device cannot reach the log-in server at HQ",
    "router", "admission.refused", accepts=matching(reason="no server answers"),
)  # fmt: skip
_NO_LEASE = all_of(
    "a client gets no address, and was let in, or refused",
    answered("no lease", "lease.*", lambda plan, answer: not answer.ok),
    none_of("it was not kept waiting for a log-in server", _NO_LOG_IN),
)

CAUSES = (
    Cause(
        name="wrong_psk",
        title="the two ends have different pre-shared keys",
        needs=(_refused("the gateway cannot verify the branch's key", "wrong_psk", "no_psk"),),
        speaks_for=(_failed("the device is told so", reason="authentication_failed"), stopped_at("tunnel_up")),
        tell_apart="A peer that is not known at all is refused by its identity; a wrong key is refused after it.",
        at_bench="Compare the key of the site in the profile's secrets with the gateway's, as a digest of each.",
        at_site="Nothing: the right key comes with the device's configuration.",
        sentence="Leave it switched on; headquarters has to put one setting right, then it works by itself.",
    ),
    Cause(
        name="tunnel_certificate_expired",
        title="a certificate of the tunnel is out of its time",
        needs=(
            any_of(
                "one end refuses the other's certificate as not valid now",
                _refused("the gateway refuses the branch's", "certificate_not_valid_now"),
                _failed("the device refuses the gateway's", reason="certificate_not_valid_now"),
                weight=3,
            ),
        ),
        speaks_for=(stopped_at("tunnel_up", "hq_reached", weight=0.5),),
        tell_apart="Who refuses has the certificate's dates in its words; a wrong clock shows elsewhere, too.",
        at_bench="Read the dates in the refusal: renew the certificate of the end that was refused.",
        at_site="Nothing: a renewed certificate comes with the configuration.",
        sentence="Leave it switched on; headquarters has to renew something, then it works by itself.",
    ),
    Cause(
        name="no_common_proposal",
        title="the two ends have no cipher suite in common",
        needs=(_refused("the gateway takes none of the suites", "no_ike_proposal", "no_esp_proposal"),),
        speaks_for=(_failed("the device is told so", reason="no_proposal_chosen"), stopped_at("tunnel_up")),
        tell_apart="no_ike_proposal is about the IKE SA, no_esp_proposal about the child.",
        at_bench="Compare the profile's proposals with the gateway's, word by word.",
        at_site="Nothing: the right proposals come with the configuration.",
        sentence="Leave it switched on; headquarters has to put one setting right, then it works by itself.",
    ),
    Cause(
        name="selectors_differ",
        title="the gateway knows the branch by other networks",
        needs=(
            any_of(
                "the gateway does not take the branch's networks, or not all of them",
                _refused("it takes none", "traffic_selectors"),
                saw("it takes others", "hq-gateway", "child.installed", later=None, accepts=_differs),
                weight=3,
            ),
        ),
        speaks_for=(_failed("the device is told so", reason="traffic_selectors"), stopped_at("tunnel_up")),
        tell_apart="With none in common there is no child SA; with some a narrower one (RFC 7296 section 2.9).",
        at_bench="Compare the profile's segments in the tunnel with the gateway's list for this branch.",
        at_site="Nothing: either list is put right from afar.",
        sentence="Leave it switched on; headquarters has to put one setting right, then it works by itself.",
    ),
    Cause(
        name="udp_500_filtered",
        title="UDP port 500 is filtered on the way",
        needs=(
            then(
                "nothing comes back on port 500, and the tunnel comes up on 4500",
                _INIT_500,
                saw("the gateway has the IKE SA", "hq-gateway", "sa.established", later=None),
                weight=2,
            ),
            _failed(
                "the gateway answers an echo meanwhile",
                reason="no_answer",
                exchange="IKE_SA_INIT",
                port=500,
                echo="answered",
            ),
            none_of(
                "and port 4500 is not silent, too",
                _failed("it is", reason="no_answer", exchange="IKE_SA_INIT", port=4500, echo="answered"),
                weight=0.0,
            ),
        ),
        tell_apart="A gateway that is down answers no echo; one whose IKE is down answers on neither port.",
        at_bench="Nothing need be done: the device goes by port 4500. Have port 500 opened all the same.",
        at_site="Ask who runs the line to let UDP 500 and 4500 pass.",
        sentence="It works, only slower to start; nothing need be done.",
    ),
    Cause(
        name="udp_4500_filtered",
        title="UDP port 4500 is filtered on the way",
        needs=(
            _failed(
                "IKE is answered on port 500, and no more once it goes on port 4500",
                reason="no_answer",
                exchange="IKE_AUTH",
                weight=3,
            ),
            never("the gateway has no SA of the branch", "hq-gateway", "sa.established", weight=0.5),
        ),
        speaks_for=(_failed("the gateway answers an echo", reason="no_answer", echo="answered"),),
        speaks_against=(saw("the path loses large packets", "router", "path.narrowed", weight=3),),
        tell_apart="Only small packets pass where the path drops large ones: try a short IKE_AUTH (pre-shared key).",
        at_bench="Look for IKE_AUTH in captures at both ends; who sees it last is before the filter.",
        at_site="Ask who runs the line to let UDP 4500 pass.",
        sentence="Leave it switched on; whoever runs the line has to open something for us.",
    ),
    Cause(
        name="gateway_down",
        title="the gateway at headquarters is silent",
        needs=(
            holds(
                "the gateway answers neither IKE nor an echo while management hears the device",
                _find_lone_silence,
                weight=2,
            ),
        ),
        speaks_for=(_DOWN, stopped_at("tunnel_up", weight=0.5)),
        speaks_against=(saw("the gateway started anew", "hq-gateway", "ike.started", later=True),),
        tell_apart="A line that is down silences management, too; a gateway that moved answers at its new address.",
        at_bench="Is the gateway on, has it its line, does its address answer from elsewhere?",
        at_site="Nothing: the device tries again by itself.",
        sentence="Nothing need be done here: headquarters is out of reach for a while, and it comes back by itself.",
    ),
    Cause(
        name="gateway_restarts",
        title="the gateway at headquarters was started anew",
        needs=(
            saw(
                "the gateway's IKE starts while branches are in service",
                "hq-gateway",
                "ike.started",
                later=True,
                weight=3,
            ),
            _DOWN,
        ),
        tell_apart="An orderly end deletes its SAs (RFC 7296 section 1.4.1); after a power cut the device finds out.",
        at_bench="Read the gateway's log for the reason of its start.",
        at_site="Nothing: the device comes back by itself.",
        sentence="Nothing need be done: headquarters was away for a moment.",
    ),
    Cause(
        name="gateway_address_changes",
        title="the gateway at headquarters has another address",
        needs=(
            distinct(
                "the tunnel is up with another address of the gateway than before",
                "router",
                "tunnel.up",
                "gateway",
                later=None,
                weight=3,
            ),
        ),
        speaks_for=(_DOWN,),
        tell_apart="The name leads to the new address once resolvers have forgotten the old (its time to live).",
        at_bench="Was it meant? Then nothing; a short time to live makes the next move quicker.",
        at_site="Nothing: the device follows the name.",
        sentence="Nothing need be done: headquarters has moved its line, and it comes back by itself.",
    ),
    Cause(
        name="subnet_used_by_other_branch",
        title="another branch has this one's networks",
        needs=(
            saw(
                "the gateway gives a network of this branch's to another peer",
                "hq-gateway",
                "child.installed",
                later=None,
                accepts=_is_of_another,
                weight=3,
            ),
        ),
        tell_apart="What the branch sends arrives at HQ; the answers go to the other branch.",
        at_bench="Look the other branch's identity up, and give one of the two networks of its own.",
        at_site="Nothing: the networks come with the configuration; clients get new addresses by DHCP.",
        sentence="Leave it switched on; another shop was given the same numbers as yours, and we put it right.",
    ),
    Cause(
        name="endpoint_down",
        title="the server behind the gateway is silent",
        needs=(
            stopped_at("hq_reached"),
            saw("the gateway has the tunnel", "hq-gateway", "child.installed"),
            none_of(
                "nothing of the branch is heard at HQ's server",
                *(saw(f"HQ's server: {kind}", "hq-endpoint", kind) for kind in _HEARD),
            ),
            never("the gateway keeps the tunnel", "hq-gateway", "child.removed", weight=0.5),
            none_of("no client was left without an address but for want of it", _NO_LEASE, weight=0.0),
        ),
        speaks_for=(_NO_LOG_IN,),
        tell_apart="The gateway says 'host unreachable' for a server that is off; a filter says nothing.",
        at_bench="Is the server on? Ask it from the gateway's own LAN.",
        at_site="Nothing: the tunnel is well.",
        sentence="Nothing need be done here: a server at headquarters is off.",
    ),
)
