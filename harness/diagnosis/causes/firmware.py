"""Causes in a release's image: in the store, on its way, in its slot, in its first boot. Layer: diagnosis, data.

What the device says of an image (`image.failed`) has a reason in one word; the store says with which status, and how
much of it, it was served.
"""

from __future__ import annotations

from typing import Any

from harness.core.entries import Seen, as_count, as_number
from harness.core.model import Plan
from harness.core.timing import to_ns
from harness.diagnosis.case import Case
from harness.diagnosis.rows import Cause, Find, Sign, all_passed, holds, never, saw, stopped_at
from harness.diagnosis.signs import among, matching, then

STAGE = "upgraded"
MUTE_S = 30.0
"""A release that has its way out asks for its data within seconds; two tries to connect take as long as that."""
_UNREACHED = ("connect", "timeout", "resolve")
_TRIES = ("bootstrap.progressed", "data.requested", "boot.started")
"""What a release does that reaches for management; and a start of the device, which ends its trial."""


def _failed(text: str, *reasons: str, weight: float = 3) -> Sign:
    return saw(text, "router", "image.failed", accepts=among(reason=reasons), weight=weight)


def _find_slow(case: Case) -> tuple[Seen, ...] | None:
    """Find transfers so slow that the whole image takes longer than the stage may."""
    budget_s = case.plan.branch.acceptance.budgets_s[STAGE]
    slow = [s for s in case.evidence.find_all("router", "image.progressed") if _takes_s(s.data) > budget_s]
    return tuple(slow) or None


def _takes_s(data: Any) -> float:
    """Return how long an image takes at the pace of its transfer so far."""
    had, whole, took_s = as_count(data.get("bytes")), as_count(data.get("whole")), as_number(data.get("took_s"))
    return whole * (took_s or 0.0) / had if had else 0.0


def _find_cut(began: str, ended: str, **fields: Any) -> Find:
    """Find power going between the first of a kind and what would have ended it."""

    def find(case: Case) -> tuple[Seen, ...] | None:
        first = case.evidence.find_first("router", began, **fields)
        starts = case.evidence.find_all("router", "boot.started", cause="power")
        again = next((s for s in starts if first and s.at_ns > first.at_ns), None)
        end = case.evidence.find_first("router", ended)
        if first is None or again is None or (end is not None and end.at_ns < again.at_ns):
            return None
        return (first, again)

    return find


def _find_mute_trial(case: Case) -> tuple[Seen, ...] | None:
    """Find a new release on trial that had its way out and did not even try to reach management: until it fell back,
    or for so long that nothing else explains it."""
    started = case.evidence.find_first("router", "slot.started", trial=True)
    if started is None:
        return None
    after = [s for s in case.evidence if s.at_ns > started.at_ns]
    back = next((s for s in after if s.observation.kind == "slot.fell_back"), None)
    end_ns = max((s.at_ns for s in after), default=0) if back is None else back.at_ns
    on_trial = [s for s in after if s.at_ns < end_ns]
    ups = [s for s in on_trial if s.observation.kind == "uplink.up"]
    tries = [s for s in on_trial if s.observation.kind in _TRIES]
    is_long = back is not None or end_ns - started.at_ns >= to_ns(MUTE_S)
    return (started, ups[0]) if ups and not tries and is_long else None


def _find_other_mirror(case: Case) -> tuple[Seen, ...] | None:
    """Find an image that came from another place than one that was tried before in vain."""
    failed = [s for s in case.evidence.find_all("router", "image.failed") if s.data.get("reason") in _UNREACHED]
    fetched = case.evidence.find_all("router", "image.fetched")
    found = (s for s in fetched for f in failed if f.at_ns < s.at_ns and f.data.get("uri") != s.data.get("uri"))
    return next(((s,) for s in found), None)


def _resumed(plan: Plan, seen: Seen) -> bool:
    return as_count(seen.data.get("resumes")) > 0


_NO_UPGRADE = "The device keeps its old release and goes on asking: nobody need go there."
_LEAVE_ON = "The box at your place is well; please leave it switched on, and we will send it the right software."

CAUSES = (
    Cause(
        name="image_missing",
        title="the firmware store has no such image",
        needs=(
            stopped_at(STAGE),
            saw("the store answers 404 (Not Found)", "management", "image.served", weight=3, status=404),
        ),
        tell_apart="A store that is down would not answer at all; another mirror may still have the image.",
        at_bench="Put the image into the store under the name that the branch is told, and fetch it once yourself.",
        at_site=_NO_UPGRADE,
        sentence=_LEAVE_ON,
    ),
    Cause(
        name="first_mirror_dead",
        title="one of the image's mirrors is dead",
        needs=(
            all_passed(),
            _failed("a mirror does not answer, or refuses the connection", *_UNREACHED),
            holds("the image comes from another mirror", _find_other_mirror),
        ),
        speaks_against=(_failed("images come in parts, or damaged", "truncated", "corrupted"),),
        tell_apart="Had the uplink failed, the other mirror had not answered either.",
        at_bench="Look at the server of the first address; correct or remove the address in what devices are told.",
        at_site="Nothing: the branch is in service.",
        sentence="Nothing is wrong at your place, and nothing need be done there.",
    ),
    Cause(
        name="image_truncated",
        title="the image in the store is not whole",
        needs=(stopped_at(STAGE), _failed("the image is shorter than its own header says", "truncated")),
        tell_apart="A transfer that broke off would be resumed; this one ended in good order, too short.",
        at_bench="Compare length and SHA-256 of the store's file with the release's; copy it there anew.",
        at_site=_NO_UPGRADE,
        sentence=_LEAVE_ON,
    ),
    Cause(
        name="image_corrupted",
        title="the image in the store is damaged",
        needs=(stopped_at(STAGE), _failed("the image has another SHA-256 than was told", "corrupted")),
        tell_apart="Damage on the way would differ from one transfer to the next, and TLS would not let it pass.",
        at_bench="Compare the SHA-256 of the store's file with the release's; copy it anew, and look at the disk.",
        at_site=_NO_UPGRADE,
        sentence=_LEAVE_ON,
    ),
    Cause(
        name="image_wrong_signature",
        title="the image is signed with a key that the device does not know",
        needs=(stopped_at(STAGE), _failed("the image's signature is of another key", "signature")),
        tell_apart="Its SHA-256 is as told: the file is whole, and was entered as it is.",
        at_bench="Which key signed it? Enter the release that is signed with the key of these devices.",
        at_site=_NO_UPGRADE,
        sentence=_LEAVE_ON,
    ),
    Cause(
        name="image_other_hardware",
        title="the image is for another hardware class",
        needs=(stopped_at(STAGE), _failed("the image's header names another hardware class", "hardware")),
        tell_apart="It is whole and rightly signed: the wrong one was chosen, or the device is another model.",
        at_bench="Compare the device's model (`hw-model` of its request) with the order; enter its model's image.",
        at_site="Read the model on the case; where it is not the one ordered, change the device.",
        sentence=_LEAVE_ON,
    ),
    Cause(
        name="image_larger_than_slot",
        title="the image is larger than the device's slot",
        needs=(stopped_at(STAGE), _failed("the image does not fit its slot", "space", "too large")),
        tell_apart="The store's file is whole: had it grown by mistake, its SHA-256 would not be the one told.",
        at_bench="Enter a release that is made for this hardware class.",
        at_site=_NO_UPGRADE,
        sentence=_LEAVE_ON,
    ),
    Cause(
        name="download_reset",
        title="something breaks off long transfers",
        needs=(
            all_passed(),
            saw(
                "the image comes in several parts (206 Partial Content)",
                "management",
                "image.served",
                status=206,
                weight=2,
            ),
            saw("the device resumed", "router", "image.fetched", accepts=_resumed),
        ),
        speaks_against=(saw("its uplink failed meanwhile", "router", "uplink.down"),),
        tell_apart="Parts of one size point at a limit on the way; parts of any size, at a bad line.",
        at_bench="Look for a limit of bytes or of time in proxies and firewalls before the store.",
        at_site="Nothing: the branch is in service.",
        sentence="Nothing is wrong at your place, and nothing need be done there.",
    ),
    Cause(
        name="slow_download",
        title="the image comes too slowly",
        needs=(
            stopped_at(STAGE),
            holds("at its pace the image takes longer than the stage may", _find_slow, weight=2),
            never("no image is refused", "router", "image.failed", weight=0.5),
        ),
        tell_apart="A speed test from the branch tells a slow line from a slow store; ask how other branches fare.",
        at_bench="Wait: the device goes on. Look at the load of the store and at what its line carries.",
        at_site="Where other pages are slow there, too: look at antenna and signal.",
        sentence="The box is still loading its software; please leave it switched on for some hours.",
    ),
    Cause(
        name="power_cut_while_writing",
        title="power went while the new release was being written",
        needs=(
            all_passed(),
            holds(
                "the device starts anew with its slot half written", _find_cut("slot.erased", "slot.written"), weight=3
            ),
        ),
        tell_apart="A reboot of the device's own would be started by the loader with cause reboot, not power.",
        at_bench="Nothing: the device wrote the image anew.",
        at_site="Ask who moved the plug; a loose plug or a switched socket is to be seen to by an electrician.",
        sentence="Please leave the box plugged in and switched on until its lights are steady.",
    ),
    Cause(
        name="power_cut_in_first_boot",
        title="power went in the first boot of the new release",
        needs=(
            all_passed(),
            holds(
                "the device starts anew before the new release said that it is well",
                _find_cut("slot.started", "slot.confirmed", trial=True),
                weight=3,
            ),
        ),
        tell_apart="A release that crashed would have fallen back; a reboot of the device's own has cause reboot.",
        at_bench="Nothing: the new release was started again, and is well.",
        at_site="Ask who moved the plug; a loose plug or a switched socket is to be seen to by an electrician.",
        sentence="Please leave the box plugged in and switched on until its lights are steady.",
    ),
    Cause(
        name="release_never_confirms",
        title="the new release does not work on this device",
        needs=(
            stopped_at(STAGE),
            holds(
                "the new release starts, has its way out, and does not try to reach management",
                _find_mute_trial,
                weight=2,
            ),
        ),
        speaks_for=(
            saw(
                "the loader gives the new release up: it ended, or did not say in time that it is well",
                "router",
                "slot.fell_back",
                accepts=matching(reason=r"not confirmed within|the runtime ended"),
            ),
            _failed("the device lets the image rest: its trial failed", "given_up", weight=1),
            saw("the new release ends by itself", "router", "runtime.exited"),
        ),
        speaks_against=(
            then(
                "the way out was lost while it was on trial",
                saw("on trial", "router", "slot.started", trial=True),
                saw("lost", "router", "uplink.down"),
            ),
        ),
        tell_apart="Another device of this class tells a bug from a fault of this one; its console shows where.",
        at_bench="Take the release back for this class, and try it on the bench with this branch's profile.",
        at_site="Nothing: the old release runs, and management hears it.",
        sentence="The box went back to its old software by itself; please leave it switched on.",
    ),
)
