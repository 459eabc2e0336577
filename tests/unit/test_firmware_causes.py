"""Rows of the firmware family on evidence made by hand: what they need, and what must not be taken for them."""

from __future__ import annotations

import pytest

from harness.core.entries import Evidence, Seen
from harness.core.model import Observation
from harness.core.sample import build_plan, saw
from harness.diagnosis.case import Case, forget_records
from harness.diagnosis.causes.firmware import CAUSES
from harness.diagnosis.diagnose import diagnose


def name(stopped: str | None, *observations: Observation) -> list[str]:
    """Return the firmware causes that are named, the best first."""
    evidence = Evidence(Seen(i, o) for i, o in enumerate(observations))
    case = Case(forget_records(build_plan()), (), stopped, evidence, Evidence())
    return [n.cause.name for n in diagnose(case, CAUSES).named]


def failed(at_s: float, reason: str) -> Observation:
    return saw("router/runtime", "image.failed", at_s, uri="https://boot.example:8444/i.img", reason=reason, detail="")


FETCHED = saw("router/runtime", "image.fetched", 12.0, uri="http://boot.example/i.img", bytes=9, took_s=1.0, resumes=0)
POWER = saw("router/loader", "boot.started", 14.0, boot_count=2, cause="power", label={})
TRIAL = saw("router/loader", "slot.started", 20.0, slot="b", release="2.1.0", boot_count=2, trial=True)
UP = saw("router/runtime", "uplink.up", 22.0, uplink="cellular", address="100.64.0.2", mtu=1428, name_servers=[])
TRIED = saw("router/runtime", "bootstrap.progressed", 30.0, step="requested", detail="")
BACK = saw("router/loader", "slot.fell_back", 65.0, from_slot="b", to_slot="a", reason="not confirmed within 45 s")
ENDED = saw("router/loader", "slot.fell_back", 23.0, from_slot="b", to_slot="a", reason="the runtime ended with code 1")
LATE = saw("management", "restconf.exchanged", 60.0, method="GET", path="/", status=200)


@pytest.mark.parametrize(
    ("reason", "cause"),
    [
        ("truncated", "image_truncated"),
        ("corrupted", "image_corrupted"),
        ("signature", "image_wrong_signature"),
        ("hardware", "image_other_hardware"),
        ("space", "image_larger_than_slot"),
        ("too large", "image_larger_than_slot"),
    ],
)
def test_an_image_that_is_refused(reason: str, cause: str) -> None:
    assert name("upgraded", failed(11.0, reason)) == [cause]
    assert name("online", failed(11.0, reason)) == []


def test_a_dead_mirror_needs_another_that_lives() -> None:
    assert name(None, failed(11.0, "connect"), FETCHED) == ["first_mirror_dead"]
    assert name(None, failed(11.0, "connect")) == []
    assert name(None, FETCHED) == []
    same = saw(
        "router/runtime", "image.fetched", 12.0, uri="https://boot.example:8444/i.img", bytes=9, took_s=1.0, resumes=0
    )
    assert name(None, failed(11.0, "timeout"), same) == []  # the one that did not answer did so later


@pytest.mark.parametrize(
    ("seen", "named"),
    [
        ((TRIAL, UP, BACK), True),
        ((TRIAL, UP, ENDED), True),
        ((TRIAL, UP, LATE), True),  # its trial outlasts the stage
        ((TRIAL, UP, TRIED, BACK), False),  # it tried: the network, or management, is at fault
        ((TRIAL, BACK), False),  # it had no way out
        ((TRIAL, UP), False),  # it has hardly begun
        ((UP, LATE), False),  # no release was on trial
    ],
)
def test_a_release_that_is_mute_on_trial(seen: tuple[Observation, ...], named: bool) -> None:
    assert ("release_never_confirms" in name("upgraded", *seen)) is named


@pytest.mark.parametrize(("bytes_", "named"), [(250_000, True), (5_000_000, False)])
def test_a_slow_download_is_one_that_the_stage_cannot_wait_for(bytes_: int, named: bool) -> None:
    """The sample plan gives the stage 60 s: of 4 MiB, 250 kB in 10 s take 168 s."""
    seen = saw("router/runtime", "image.progressed", 20.0, uri="", bytes=bytes_, whole=4_194_304, took_s=10.0)
    assert ("slow_download" in name("upgraded", seen)) is named


def test_power_that_goes_at_another_time_is_no_cut_while_writing() -> None:
    erased = saw("router/loader", "slot.erased", 13.0, slot="b")
    written = saw("router/loader", "slot.written", 13.8, slot="b", release="2.1.0", bytes=9, took_s=0.8)
    again = saw("router/loader", "slot.written", 19.0, slot="b", release="2.1.0", bytes=9, took_s=0.8)
    assert name(None, erased, POWER, again) == ["power_cut_while_writing"]
    assert name(None, erased, written, POWER) == []
    assert name(None, POWER, erased, written) == []


def test_a_run_that_went_well_has_no_cause() -> None:
    confirmed = saw("router/loader", "slot.confirmed", 24.0, slot="b", release="2.1.0")
    assert name(None, FETCHED, TRIAL, UP, TRIED, confirmed) == []
