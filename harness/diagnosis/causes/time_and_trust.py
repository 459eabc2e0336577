"""Causes of time and trust: clocks, time servers, certificates. Layer: diagnosis, data.

The numbers are OpenSSL's verify errors (x509_vfy.h), which the device tells as its library does; the alerts those of
RFC 8446 section 6.2.
"""

from __future__ import annotations

from datetime import datetime

from harness.core.entries import Seen, as_number
from harness.core.model import Plan
from harness.diagnosis.case import Case
from harness.diagnosis.causes._device_words import told
from harness.diagnosis.rows import Cause, Sign, holds, never, saw, stopped_at
from harness.diagnosis.signs import any_of, matching

DAY_S = 86400.0
SERVER_NOTE = "Have the time on the server, and the certificate's names and dates, before anything else is touched."


def _find_early_clock(case: Case) -> tuple[Seen, ...] | None:
    """Find a setting of the clock from before the firmware was built: such a clock holds no time."""
    built_s = datetime.fromisoformat(case.plan.hardware.clock_at_power_on).timestamp()
    found = []
    for step in case.evidence.find_all("router", "clock.set"):
        offset_s = as_number(step.data.get("offset_s"))
        if offset_s is not None and step.observation.wall_ns / 1e9 - offset_s < built_s - DAY_S:
            found.append(step)
    return tuple(found) or None


def _has_address(plan: Plan, seen: Seen) -> bool:
    return seen.data.get("address") is not None


def _alert(words: str, weight: float = 1.0) -> Sign:
    text = f"and the server hears from it why: {words}"
    return saw(text, "management", "session.refused", accepts=matching(reason=f"alert {words}"), weight=weight)


CAUSES = (
    Cause(
        name="clock_in_1970",
        title="the device's clock keeps no time while it has no power",
        needs=(holds("before it was set the clock showed a time before its firmware was built", _find_early_clock),),
        tell_apart="A clock without a battery begins at the firmware's date; one that broke, at the chip's.",
        at_bench="Measure the clock's battery, where there is one. The device asks for the time at each start.",
        at_site="Nothing, as long as a time server answers.",
        sentence="Nothing need be done.",
    ),
    Cause(
        name="ntp_filtered",
        title="no time server answers",
        needs=(
            stopped_at("online", "checked_in"),
            saw(
                "a time server was asked, and gave no time",
                "router",
                "clock.failed",
                least=2,
                weight=1.5,
                accepts=lambda plan, seen: seen.data.get("address") is not None,
            ),
            never("and none ever did", "router", "clock.set", weight=0.5),
            any_of(
                "something else gets through",
                *(saw(f"a name: {n}", n, "name.answered", accepts=_has_address) for n in ("carrier", "internet")),
                saw("management", "management", "session.opened"),
                weight=0.0,
            ),
        ),
        tell_apart="Where names do not resolve either, the whole path is dead; here they do, and only UDP port 123 is.",
        at_bench="Ask each time server from another line; then ask the carrier or provider whether it filters NTP.",
        at_site="Nothing: name a time server that is let through (often the carrier's own), or have it opened.",
        sentence="The device cannot get the time; leave it switched on, we are on it.",
    ),
    Cause(
        name="server_certificate_expired",
        title="the management server's certificate is past its end",
        needs=(
            stopped_at("checked_in"),
            told(
                "the device refuses the server's certificate as expired (OpenSSL verify error 10)",
                r"verify error 10\)",
                weight=3,
            ),
        ),
        speaks_for=(_alert("certificate expired"),),
        tell_apart="A device whose clock is ahead says the same of a good certificate: was its clock set, and to what?",
        at_bench=f"Renew the server's certificate. {SERVER_NOTE}",
        at_site="Nothing: the device comes by itself once the certificate is renewed.",
        sentence="Something on our side has run out; leave the device switched on, it comes by itself.",
    ),
    Cause(
        name="server_certificate_not_yet_valid",
        title="the server's certificate begins later than the device's clock shows",
        needs=(
            stopped_at("checked_in"),
            told(
                "the device refuses the server's certificate as not yet valid (OpenSSL verify error 9)",
                r"verify error 9\)",
                weight=3,
            ),
        ),
        tell_apart="Nearly always the device's clock is behind: what did it set it to? Else it is too new.",
        at_bench=f"Compare the time that the time servers give with the true one. {SERVER_NOTE}",
        at_site="Nothing.",
        sentence="The device has a wrong time; leave it switched on, we are on it.",
    ),
    Cause(
        name="server_certificate_other_name",
        title="the management server's certificate is for another name",
        needs=(
            stopped_at("checked_in"),
            told(
                "the name that was asked for is not in the certificate (OpenSSL verify error 62 or 64)",
                r"verify error 6[24]\)",
                weight=3,
            ),
        ),
        speaks_for=(_alert("(?:sslv3 )?bad certificate", 0.5),),
        tell_apart="Another authority's certificate is refused before names are looked at (verify errors 18 to 21).",
        at_bench=f"Order a certificate with the name in subjectAltName; a Common Name does not count. {SERVER_NOTE}",
        at_site="Nothing: the device comes by itself once the server shows the right certificate.",
        sentence="Something on our side is set wrongly; leave the device switched on, it comes by itself.",
    ),
    Cause(
        name="server_certificate_other_ca",
        title="nobody whom the device trusts answers for the server's certificate",
        needs=(
            stopped_at("checked_in"),
            told(
                "the certificate's chain ends at no anchor of the device's (OpenSSL verify errors 18 to 21)",
                r"verify error (18|19|20|21)\)",
                weight=3,
            ),
        ),
        speaks_for=(_alert("unknown ca", 0.5),),
        tell_apart="Ask the server itself from elsewhere: the same certificate there means it was changed; another "
        "one means that something on the way opens the connection.",
        at_bench=f"Which authority issued it, and which does staging tell the device? {SERVER_NOTE}",
        at_site="If a box of another's stands before the router (a firewall that opens TLS), go round it.",
        sentence="The device does not trust who answers it, which is right; leave it switched on, we are on it.",
    ),
    Cause(
        name="device_certificate_expired",
        title="the device's own certificate is past its end",
        needs=(
            stopped_at("checked_in"),
            saw(
                "management refuses the device's certificate as expired",
                "management",
                "session.refused",
                weight=3,
                accepts=matching(reason="client certificate: certificate has expired"),
            ),
        ),
        speaks_for=(
            any_of(
                "and the device is told so",
                told("by an alert", "alert certificate expired", weight=1),
                told("or cut off", "connect: ", weight=1),
            ),
        ),
        tell_apart="A server whose clock is ahead refuses every device; this one, only those of an age.",
        at_bench="Renew the device's certificate with whoever issued it; IEEE 802.1AR advises one without an end.",
        at_site="Put a spare device in if it cannot be renewed from afar.",
        sentence="The device's own pass has run out; leave it switched on, or we send you another one.",
    ),
)
