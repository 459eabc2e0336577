"""Causes in the configuration document and in putting it in force. Layer: diagnosis, data and two signs of its own."""

from __future__ import annotations

from harness.core.entries import Seen
from harness.diagnosis.case import Case
from harness.diagnosis.rows import Cause, all_passed, choose_part, holds, never, saw, stopped_at
from harness.diagnosis.signs import among, any_of, both, matching, none_of, other_than

_REPORTED = saw(
    "the device reports to management that it does not take its configuration (RFC 8572: config-error)",
    "management", "report.received", later=None, progress_type="config-error",
)  # fmt: skip
_GIVEN_UP = saw(
    "the device goes back to its last good configuration: management was not reached over the new one",
    "router", "config.rolled_back", later=None, weight=2, accepts=matching(reason="not reached"),
)  # fmt: skip


def _find_tunnel_between(case: Case) -> tuple[Seen, ...] | None:
    """Find a tunnel that came up while a configuration ran that was rolled back later."""
    part = choose_part(case, None)
    ups = part.find_all("hq-gateway", "child.installed")
    begun = part.find_all("management", "report.received", progress_type="config-initiated")
    for back in part.find_all("router", "config.rolled_back"):
        since = [s.at_ns for s in begun if s.at_ns <= back.at_ns]  # it may be up before the last part is applied
        found = [s for s in ups if since and since[-1] <= s.at_ns <= back.at_ns]
        if found:
            return (found[0], back)
    return None


def _find_cut_while_applying(case: Case) -> tuple[Seen, ...] | None:
    """Find a start by power after the device began to apply, with nothing applied, refused or reported in between."""
    begun = case.evidence.find_all("management", "report.received", progress_type="config-initiated")
    ends = [
        *case.evidence.find_all("router", "config.applied"),
        *case.evidence.find_all("router", "config.refused"),
        *case.evidence.find_all("management", "report.received", progress_type="config-error"),
    ]
    for boot in case.evidence.find_all("router", "boot.started", cause="power"):
        before = [s for s in begun if s.at_ns < boot.at_ns]
        if before and not any(before[-1].at_ns <= end.at_ns <= boot.at_ns for end in ends):
            return (before[-1], boot)
    return None


_TUNNEL = holds("the tunnel came up over the configuration that was given up", _find_tunnel_between, weight=2)

CAUSES = (
    Cause(
        name="needs_newer_release",
        title="the configuration needs a newer release",
        needs=(
            _REPORTED,
            saw(
                "the device does not know what the document asks for",
                "router",
                "config.refused",
                later=None,
                weight=3,
                why="newer_release",
            ),
        ),
        speaks_for=(stopped_at("configured", weight=0.5),),
        tell_apart="A release that knows the section, and refuses it, names what is wrong with it.",
        at_bench="Compare the release that the document was written for with the profile's, and change one of them.",
        at_site="Nothing: management serves the right release, or a document of this one; the device asks by itself.",
        sentence="The device waits for us to correct its settings; leave it switched on, nothing need be done.",
    ),
    Cause(
        name="section_refused",
        title="the device refuses a section of the configuration",
        needs=(
            _REPORTED,
            saw(
                "the device names the section that it refuses, or cannot start",
                "router",
                "config.refused",
                later=None,
                weight=3,
                accepts=both(among(why=("refused", "failed")), other_than(section="uplinks")),
            ),
        ),
        tell_apart="A document for a later release is refused for what is unknown, not for what is wrong.",
        at_bench="Read section and reason in the report, mend the profile, and prove it before it is served.",
        at_site="Nothing: the branch works with its last good configuration, where it has one.",
        sentence="Nothing need be done: the device kept its old settings, and we correct the new ones.",
    ),
    Cause(
        name="cuts_own_uplink",
        title="a new configuration cut the device off, and was taken back",
        needs=(
            _GIVEN_UP,
            none_of("no tunnel came up over the configuration that was given up", _TUNNEL, weight=1),
        ),
        tell_apart="With management alone cut, the tunnel to HQ comes up over the new configuration.",
        at_bench="Put the new document to the bench: do its routes or networks take in the uplink's own?",
        at_site="Nothing: the device went back by itself.",
        sentence="Nothing need be done: a change of ours went wrong, and the device took it back by itself.",
    ),
    Cause(
        name="cuts_management",
        title="a new configuration cut management off, and was taken back",
        needs=(_GIVEN_UP, _TUNNEL),
        tell_apart="With the uplink cut no tunnel would have come up; with management dead other branches are silent.",
        at_bench="Put the new document to the bench: does a segment's network take in the management server's address?",
        at_site="Nothing: the device went back by itself.",
        sentence="Nothing need be done: a change of ours went wrong, and the device took it back by itself.",
    ),
    Cause(
        name="power_cut_while_applying",
        title="power went while the configuration was being put in force",
        needs=(
            holds(
                "the device starts by power after it began to apply, with no end told",
                _find_cut_while_applying,
                weight=3,
            ),
        ),
        speaks_for=(
            any_of(
                "it begins anew, and completes",
                all_passed(),
                never("nothing is rolled back", "router", "config.rolled_back", weight=0.5),
            ),
        ),
        tell_apart="A device that crashed starts by itself (cause reboot), not by power.",
        at_bench="Nothing: it came up by itself.",
        at_site="Is the supply's plug seated well, and out of the way of feet?",
        sentence="Please leave the plug in until the online light is steady; nothing else need be done.",
    ),
)
