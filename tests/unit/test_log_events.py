"""Which lines of daemons are events, and what HQ reads of them. Lines of OpenSSH are those of auth_log() (auth.c) and
input_userauth_request() (auth2.c) of release 9.2, seen at work; the device's own are of the code named beside."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pytest

from emulators.common import log_events
from emulators.common.controls import AlertCondition, Alerts
from emulators.common.device_config import Logging
from emulators.common.log_events import EVENT_SEVERITIES, SEVERITIES, is_at_least
from emulators.hq.syslog_message import find_sequence, parse_message
from emulators.router.runtime.apply.check_logs import check_logs
from emulators.router.runtime.apply.log_rules import BY_KEY_ONLY, RULES, render_rules

LINES = [
    ("sshd", "Failed password for operator from 10.200.0.10 port 43255 ssh2", log_events.LOGIN_FAILED),
    ("sshd", "Failed password for invalid user admin from 10.0.0.9 port 1 ssh2", log_events.LOGIN_FAILED),
    ("sshd", "Failed publickey for operator from 10.0.0.9 port 1 ssh2: ECDSA SHA256:x", log_events.LOGIN_FAILED),
    ("sshd", "Accepted publickey for operator from 10.0.0.9 port 1 ssh2: ECDSA SHA256:x", log_events.LOGIN_ACCEPTED),
    ("sshd", "Connection from 10.0.0.9 port 1 on 10.20.10.1 port 22", None),
    ("sshd", "Invalid user admin from 10.0.0.9 port 1", None),
    ("device", "configuration 1cc3a39e02dca002 applied in 0.45 s", log_events.CONFIG_APPLIED),  # applier.py
    ("device", "configuration 1cc3a39e02dca002 confirmed", log_events.CONFIG_CONFIRMED),
    ("device", "configuration 1cc3 rolled back: no answer", log_events.CONFIG_ROLLED_BACK),
    ("device", "tunnel to hq.skerry.example is up", log_events.TUNNEL_UP),  # tunnel_keeper.py
    ("device", "tunnel to hq.skerry.example is down", log_events.TUNNEL_DOWN),
    ("device", "uplink in use: cellular", log_events.UPLINK_CHANGED),
    ("device", "source 10.0.0.9 blocked for 1800 s after 5 failed log-ins", log_events.SOURCE_BLOCKED),
    ("device", "source 10.0.0.9 released: operator", log_events.SOURCE_RELEASED),
    ("device", "heartbeat answered by ztp.skerry.example:443", log_events.HEARTBEAT),
    ("charon", "tunnel to hq.skerry.example is up", None),  # whoever says it is not the device
]


def name_event(program: str, text: str) -> str | None:
    """As rsyslog does it: the first rule that fits (its patterns here use nothing in which POSIX and Python differ)."""
    return next((r.event for r in RULES if r.program == program and re.search(r.pattern, text)), None)


@pytest.mark.parametrize(("program", "text", "event"), LINES)
def test_lines_and_their_events(program, text, event):
    assert name_event(program, text) == event
    assert name_event(program, f" {text}") == event  # the local socket's older form puts a blank before


def test_every_rule_has_a_severity_and_an_identifier_that_rfc_5424_allows():
    for rule in (*RULES, BY_KEY_ONLY):
        assert EVENT_SEVERITIES[rule.event] in SEVERITIES
        assert re.fullmatch(r"[!-~]{1,32}", rule.event)  # section 6: MSGID = 1*32PRINTUSASCII


@pytest.mark.parametrize("least", SEVERITIES)
def test_the_least_severity_is_a_number_in_the_configuration(least):
    text = "\n".join(render_rules(least, 'action(type="omfwd")', by_key_only=False))
    assert f"if cnum($.severity) <= {SEVERITIES.index(least)} then {{" in text
    assert text.count("{") == text.count("}")
    assert "Invalid user" not in text
    assert "Invalid user" in "\n".join(render_rules(least, "stop", by_key_only=True))


def test_order_of_severities():
    """RFC 5424 table 2: 0 is the gravest."""
    assert is_at_least("err", "warning") and is_at_least("info", "info")
    assert not is_at_least("debug", "info")
    with pytest.raises(ValueError, match="not in tuple"):
        is_at_least("fatal", "info")


@pytest.mark.parametrize(
    ("structured", "number"),
    [
        ('[meta sequenceId="29" sysUpTime="32000"]', 29),
        ('[origin ip="192.0.2.1"][meta sysUpTime="1" sequenceId="7"]', 7),
        ('[x sequenceId="7"]', None),
        ('[meta sequenceId="0"]', None),  # section 7.3.1: it begins at 1
        ("-", None),
    ],
)
def test_sequence_numbers(structured, number):
    message = parse_message(b"<165>1 2003-10-11T22:14:15.003Z host app - - " + structured.encode() + b" text")
    assert find_sequence(message) == number


@pytest.mark.parametrize(
    ("changes", "section"),
    [
        ({"transport": "tls"}, "logging.ca_pem"),
        ({"server": "a b"}, "logging.server"),
        ({"port": 0}, "logging.port"),
        ({"buffer_messages": -1}, "logging.buffer_messages"),
        ({}, None),
    ],
)
def test_what_the_device_refuses_of_its_log(changes, section):
    given = {"server": "10.200.0.10", "port": 514, "transport": "udp", "least": "info", **changes}
    faults = [where for where, _ in check_logs(Told(Logging(**given), None))]
    assert faults == ([section] if section else [])


def test_a_condition_asked_for_twice_is_refused():
    twice = Alerts("http://a.example/", (AlertCondition("lockout", 5.0), AlertCondition("lockout", 9.0)))
    assert [where for where, _ in check_logs(Told(None, twice))] == ["alerts.conditions"]


@dataclass(frozen=True)
class Told:
    """The part of a configuration that is looked at."""

    logging: Logging | None
    alerts: Alerts | None
