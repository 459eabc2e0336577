"""Causes at the management server: not there, not answering, or not knowing the device. Layer: diagnosis, data.

That an unknown device is answered 404 and one that does not fit 403 is this server's choice (RFC 8040 section 7).
"""

from __future__ import annotations

from harness.core.entries import Seen
from harness.core.model import Plan
from harness.diagnosis.causes._device_words import told
from harness.diagnosis.rows import Cause, Sign, never, saw, stopped_at
from harness.diagnosis.signs import any_of, both, matching, other_than, unfollowed

PATIENCE_S = 10.0
"""How long a server may think about a request before it counts as hanging. Our choice: a busy one says 503 at once."""
_SESSION = saw("a session is opened with it", "management", "session.opened")
_REPORT = saw("the device reports", "router", "bootstrap.progressed", step="bootstrap-initiated")
_ANSWER = saw("the server answers", "management", "restconf.exchanged")
WAIT = "Leave it switched on; it comes by itself as soon as it is put right on our side."


def _is_nowhere(plan: Plan, seen: Seen) -> bool:
    names = {server.address.lower() for server in plan.branch.bootstrap}
    return str(seen.data.get("name")).rstrip(".").lower() in names and seen.data.get("address") is None


def _refused(text: str, pattern: str) -> Sign:
    return saw(text, "management", "session.refused", accepts=matching(reason=pattern), weight=3)


CAUSES = (
    Cause(
        name="management_name_missing",
        title="the management server's name leads nowhere",
        needs=(
            stopped_at("online"),
            any_of(
                "the name server says that there is no address for the management server's name",
                *(
                    saw(f"{node} says so", node, "name.answered", accepts=_is_nowhere)
                    for node in ("carrier", "internet")
                ),
                weight=3,
            ),
        ),
        speaks_for=(saw("other names are known: the clock was set by name", "router", "clock.set", weight=0.5),),
        tell_apart="Where no name resolves, the name servers or the path to them are dead.",
        at_bench="Ask for the name elsewhere; compare what staging wrote with the zone, letter by letter.",
        at_site="Nothing.",
        sentence=WAIT,
    ),
    Cause(
        name="management_refuses",
        title="nobody listens at the management server, or a firewall lets nobody in",
        needs=(
            stopped_at("checked_in"),
            told(
                "the connection is refused", r"connect: (ConnectionRefused|.*(No route to host|unreachable))", weight=2
            ),
            never("no session is opened", "management", "session.opened"),
        ),
        tell_apart="A refusal comes at once; a server that is gone, or a path that drops, says nothing and times out.",
        at_bench="Does the server's process run, and at that port? Then the firewall's rules before it.",
        at_site="Nothing.",
        sentence=WAIT,
    ),
    Cause(
        name="management_hangs",
        title="the management server takes requests, and does not answer them",
        needs=(
            stopped_at("checked_in"),
            _SESSION,
            any_of(
                "and nothing is answered in it",
                told("the device waited in vain", r"timeout: .*read operation timed out"),
                unfollowed("no answer follows", _SESSION, _ANSWER, PATIENCE_S),
                unfollowed("nor does one to a report", _REPORT, _ANSWER, PATIENCE_S),
                weight=2,
            ),
        ),
        speaks_against=(saw("the path loses large packets", "router", "path.narrowed", weight=2),),
        tell_apart="A path that loses large packets may open a session, too: does a server elsewhere hang as well?",
        at_bench="Look at the server: threads, database, disk. Start it again.",
        at_site="Nothing.",
        sentence=WAIT,
    ),
    Cause(
        name="management_busy",
        title="the management server was busy",
        needs=(
            saw("management answers 503", "management", "restconf.exchanged", weight=2, status=503),
            told("and the device is told when to come again", r": 503, again in ", weight=1, step="deferred"),
        ),
        tell_apart="503 with Retry-After is a server that knows its load; one that hangs knows nothing.",
        at_bench="How many branches started at once? Give the server more room, or spread them.",
        at_site="Nothing.",
        sentence="Nothing need be done: it comes a little later.",
    ),
    Cause(
        name="device_not_in_inventory",
        title="the device is not in the inventory",
        needs=(
            stopped_at("checked_in"),
            _refused("management knows no device of that serial number", "^no bootstrapping data for device"),
        ),
        tell_apart="The refusal names the serial number: compare it with the label and the list, digit by digit.",
        at_bench="Enter the device, or correct its serial number in the list.",
        at_site="Read the serial number off the label, and nothing else.",
        sentence="Please read us the serial number on the label; leave the device switched on.",
    ),
    Cause(
        name="claimed_with_other_mac",
        title="management has another MAC address for the device",
        needs=(stopped_at("checked_in"), _refused("management expects another MAC address", "expected MAC address")),
        tell_apart="A typing error differs in a digit or two; devices that were swapped have each other's addresses.",
        at_bench="Compare both addresses of the refusal with the label; correct the list, or the shipment.",
        at_site="Read the label: serial number and MAC address.",
        sentence="Please read us both numbers on the label; leave the device switched on.",
    ),
    Cause(
        name="bound_to_other_profile",
        title="management has the device for another profile",
        needs=(stopped_at("checked_in"), _refused("management expects another profile", "expected profile")),
        tell_apart="The refusal names both profiles: which of them is this site's?",
        at_bench="Bind the device to the site's profile.",
        at_site="Nothing.",
        sentence=WAIT,
    ),
    Cause(
        name="claimed_by_other_owner",
        title="the device belongs to another owner",
        needs=(stopped_at("checked_in"), _refused("management expects another owner", "expected owner")),
        tell_apart="The refusal names both owners.",
        at_bench="Have the former owner release the device, and claim it.",
        at_site="Nothing.",
        sentence=WAIT,
    ),
    Cause(
        name="redirected_without_anchor",
        title="a redirect names a server, but not how to trust it",
        needs=(
            stopped_at("checked_in"),
            told(
                "the device is sent on to a server that it has no reason to trust",
                ", untrusted$",
                weight=3,
                step="redirected",
            ),
        ),
        tell_apart="A redirect with an anchor is followed in trust, whatever comes then.",
        at_bench="Put the new server's trust anchor into the redirect (RFC 8572 section 6.3).",
        at_site="Nothing.",
        sentence=WAIT,
    ),
    Cause(
        name="redirect_loop",
        title="servers send the device round in a circle",
        needs=(
            stopped_at("checked_in"),
            told("the device gives up after ten redirects in a row", "redirects in a row", weight=3, step="refused"),
        ),
        tell_apart="The device names each server that it was sent to: two that take turns, or one alone.",
        at_bench="Take the redirect out of one of the servers.",
        at_site="Nothing.",
        sentence=WAIT,
    ),
    Cause(
        name="malformed_reply",
        title="management's answer cannot be read",
        needs=(
            stopped_at("checked_in"),
            saw(
                "the device reports that it could not parse its data",
                "management",
                "report.received",
                weight=3,
                progress_type="parsing-error",
            ),
        ),
        tell_apart="The report says what was expected: a page in HTML is a proxy's; a missing member, a release's.",
        at_bench="Fetch the data by hand, and look at it; what was changed at the server, or before it?",
        at_site="Nothing.",
        sentence=WAIT,
    ),
    Cause(
        name="ok_instead_of_204",
        title="progress reports are answered with another status than 204",
        needs=(
            stopped_at("checked_in", "configured"),
            saw(
                "a report is answered with success, but not with 204",
                "management",
                "report.received",
                weight=3,
                accepts=both(other_than(status=204), matching(status="^2")),
            ),
        ),
        speaks_for=(saw("and the device takes its configuration back", "router", "config.rolled_back", weight=0.5),),
        tell_apart="The status is the server's own, or a proxy's before it: ask the server without the proxy.",
        at_bench="Have the server answer as RFC 8572 section 7.3 says: the RPC has no output, so 204 (RFC 8040 3.6).",
        at_site="Nothing.",
        sentence=WAIT,
    ),
)
