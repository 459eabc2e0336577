"""The events that the device's log tells by name: identifier (RFC 5424 section 6.2.7) and severity. Shared, pure.

The severity is the device's own choice (no source), one for each event whatever the daemon that saw it gave its line.
Not here: which lines of which daemon are such an event (emulators/router/runtime/apply/log_rules.py).
"""

from __future__ import annotations

from collections.abc import Mapping

SEVERITIES = ("emerg", "alert", "crit", "err", "warning", "notice", "info", "debug")
"""RFC 5424 section 6.2.1, table 2: 0 to 7, in the usual short names."""

LOGIN_ACCEPTED, LOGIN_FAILED = "LOGIN_ACCEPTED", "LOGIN_FAILED"
SOURCE_BLOCKED, SOURCE_RELEASED = "SOURCE_BLOCKED", "SOURCE_RELEASED"
CONFIG_APPLIED, CONFIG_CONFIRMED, CONFIG_ROLLED_BACK = "CONFIG_APPLIED", "CONFIG_CONFIRMED", "CONFIG_ROLLED_BACK"
TUNNEL_UP, TUNNEL_DOWN, UPLINK_CHANGED = "TUNNEL_UP", "TUNNEL_DOWN", "UPLINK_CHANGED"
THREAT_DETECTED, PASSWORD_CHANGED, HEARTBEAT = "THREAT_DETECTED", "PASSWORD_CHANGED", "HEARTBEAT"

EVENT_SEVERITIES: Mapping[str, str] = {
    LOGIN_ACCEPTED: "notice",
    LOGIN_FAILED: "warning",
    SOURCE_BLOCKED: "warning",
    SOURCE_RELEASED: "notice",
    CONFIG_APPLIED: "notice",
    CONFIG_CONFIRMED: "notice",
    CONFIG_ROLLED_BACK: "warning",
    TUNNEL_UP: "notice",
    TUNNEL_DOWN: "warning",
    UPLINK_CHANGED: "notice",
    THREAT_DETECTED: "warning",
    PASSWORD_CHANGED: "notice",
    HEARTBEAT: "debug",
}

SEQUENCE_ELEMENT, SEQUENCE_PARAM = "meta", "sequenceId"
"""RFC 5424 section 7.3.1: counts the messages handed to the transport, from 1; by it a collector knows what is lost."""


def is_at_least(severity: str, least: str) -> bool:
    """Say whether a severity is as grave as `least`, or graver. Raises: ValueError for a word that is none."""
    return SEVERITIES.index(severity) <= SEVERITIES.index(least)
