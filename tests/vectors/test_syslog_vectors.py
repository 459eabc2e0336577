"""Syslog against its standards: priorities (RFC 5424 section 6.2.1), the examples of section 6.5 in the frames of RFC
5425 section 4.3 and RFC 6587 section 3.4.1. Octets are counted of the standard's text, the BOM as three."""

from __future__ import annotations

import pytest

from emulators.hq.syslog_message import parse_message, split_stream
from emulators.router.runtime.apply.log_gate import split_frames

BOM = b"\xef\xbb\xbf"
EXAMPLES = [
    (
        b"<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - "
        + BOM
        + b"'su root' failed for lonvick on /dev/pts/8",
        110,
        ("auth", "crit", "ID47"),
    ),
    (
        b"<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - %% It's time to make the do-nuts.",
        99,
        ("local4", "notice", "-"),
    ),
    (
        b"<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 "
        b'[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"] '
        + BOM
        + b"An application event log entry...",
        175,
        ("local4", "notice", "ID47"),
    ),
    (
        b"<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 "
        b'[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"][examplePriority@32473 class="high"]',
        174,
        ("local4", "notice", "ID47"),
    ),
]


@pytest.mark.parametrize(("message", "octets", "fields"), EXAMPLES)
def test_examples_of_rfc_5424_in_frames(message, octets, fields):
    frame = b"%d %s" % (octets, message)
    for split in (split_stream, split_frames):
        assert split(frame + b"9 <") == ([message], b"9 <")
    read = parse_message(message)
    assert (read.facility, read.severity, read.msgid) == fields


@pytest.mark.parametrize(
    ("priority", "facility", "severity"),
    [
        (0, "kern", "emerg"),
        (165, "local4", "notice"),
        (134, "local0", "info"),
        (36, "auth", "warning"),
        (191, "local7", "debug"),
    ],
)
def test_priorities(priority, facility, severity):
    read = parse_message(b"<%d>1 - - - - - -" % priority)
    assert (read.facility, read.severity) == (facility, severity)
