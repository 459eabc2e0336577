"""The rows of configuration and site: each is named where it should be, and not where another would be right."""

from __future__ import annotations

import pytest

from harness.core.entries import Evidence, Seen
from harness.core.sample import build_plan, saw
from harness.diagnosis.case import Case
from harness.diagnosis.causes import configuration, site
from harness.diagnosis.diagnose import diagnose

ROWS = (*configuration.CAUSES, *site.CAUSES)
NEW = "a1" * 32
LAN, PROVIDER = "10.20.10.77", "198.18.64.100"


def report(at_s, kind):
    return saw("management", "report.received", at_s, progress_type=kind, message="", status=204)


def beats(*times):
    return [saw("management", "heartbeat.received", t, serial="X") for t in times]


BEGUN, COMPLETE, ERROR = (
    report(20.0, "config-initiated"), report(22.0, "bootstrap-complete"), report(21.0, "config-error"),
)  # fmt: skip
BOOT, CUT = (saw("router/loader", "boot.started", t, cause="power") for t in (1.0, 21.5))
APPLIED = saw("router/runtime", "config.applied", 21.0, digest=NEW, took_s=1.0)
BACK = saw(
    "router/runtime", "config.rolled_back", 90.0, digest=NEW, to=None, reason="management was not reached over it"
)
TUNNEL = saw("hq-gateway", "child.installed", 20.5, esp="aes256gcm16")
PULLED = saw("router/runtime", "uplink.down", 50.0, uplink="ethernet", reason="no carrier")
LEASED = saw("router/runtime", "uplink.up", 52.0, uplink="ethernet", address=LAN)
REFUSED = saw("router/runtime", "uplink.refused", 52.0, uplink="ethernet", address=LAN)
DOWN = saw("router/runtime", "tunnel.down", 60.0)


def refused(why):
    return saw("router/runtime", "config.refused", 21.0, digest=NEW, section="x", reason="y", why=why)


def name_first(seen, stopped=None, later=()):
    numbered = [Seen(i, o) for i, o in enumerate(sorted([*seen, *later], key=lambda o: o.at_ns))]
    late = [s for s in numbered if s.observation in later]
    case = Case(build_plan(), (), stopped, Evidence(numbered), Evidence(late))
    named = diagnose(case, ROWS).named
    return named[0].cause.name if named else None


@pytest.mark.parametrize(
    ("name", "seen", "later", "stopped"),
    [
        ("needs_newer_release", [BOOT, BEGUN, refused("newer_release"), ERROR], [], "configured"),
        ("section_refused", [BOOT], [BEGUN, refused("refused"), ERROR], None),
        ("section_refused", [BOOT], [BEGUN, refused("failed"), ERROR], None),
        ("cuts_own_uplink", [BOOT], [BEGUN, APPLIED, BACK], None),
        ("cuts_management", [BOOT], [BEGUN, TUNNEL, APPLIED, BACK], None),
        ("power_cut_while_applying", [BOOT, BEGUN, CUT, report(30.0, "config-initiated"), COMPLETE], [], None),
        ("power_cut_in_service", [BOOT, BEGUN, APPLIED, COMPLETE], [CUT], None),
        ("uplinks_down", [BOOT, *beats(20, 22)], [*beats(50, 52), DOWN, *beats(90)], None),
        ("lan_cable_on_wan_port", [BOOT], [PULLED, LEASED], None),
        ("lan_cable_on_wan_port", [BOOT], [PULLED, REFUSED], None),
        ("rogue_dhcp", [BOOT], [saw("router/runtime", "dhcp.server_refused", 60.0, port=4)], None),
        (None, [BOOT, BEGUN, APPLIED, TUNNEL, COMPLETE], beats(30, 32, 34), None),
        (None, [BOOT, BEGUN, APPLIED, CUT, COMPLETE], [], None),
        (None, [BOOT, *beats(20, 22)], [*beats(50, 52), DOWN, *beats(54, 56)], None),
        (None, [BOOT], [PULLED, saw("router/runtime", "uplink.up", 52.0, uplink="ethernet", address=PROVIDER)], None),
        (None, [BOOT], [PULLED, saw("internet", "dhcp.leased", 51.0, address=LAN, mac="x", lease_s=9), LEASED], None),
    ],
)  # fmt: skip
def test_the_right_cause_comes_first_and_none_where_nothing_is_wrong(name, seen, later, stopped):
    assert name_first(seen, stopped, later) == name
