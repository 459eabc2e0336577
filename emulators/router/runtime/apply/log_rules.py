"""Which lines of which daemon are an event with a name, and the configuration of rsyslog that says so. Pure.

Each message that goes to the log server is RFC 5424, carries the event's identifier as its MSGID and a sequence number
(section 7.3.1). The first rule that fits a line names it; a line that none fits has no name and keeps its severity.
Not here: paths and processes (parts/logs.py), identifiers and severities (emulators.common.log_events).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from emulators.common import log_events
from emulators.common.log_events import EVENT_SEVERITIES, SEQUENCE_ELEMENT, SEQUENCE_PARAM, SEVERITIES

OWN = '$programname startswith "rsyslog"'
"""rsyslog's own remarks on its connection would fill the queue that waits for it."""
QUIETEST_MIRRORED = SEVERITIES.index("info")
RFC_5424 = (
    "<%$.pri%>1 %TIMESTAMP:::date-rfc3339% %HOSTNAME% %APP-NAME% %PROCID% %$.msgid% "
    f'[{SEQUENCE_ELEMENT} {SEQUENCE_PARAM}=\\"%$.sequence%\\"] '
    "%msg:R,ERE,1,FIELD:^ *(.*)$--end%\\n"
)
"""rsyslog's own template for RFC 5424, but with what the rules below found out, and without the blank that the local
socket's older form puts before a text."""


@dataclass(frozen=True, slots=True)
class Rule:
    """Lines of `program` that match `pattern` (POSIX extended) are the event."""

    event: str
    program: str
    pattern: str


RULES = (
    Rule(log_events.LOGIN_ACCEPTED, "sshd", "^ *Accepted (password|publickey|keyboard-interactive/pam) for "),
    Rule(log_events.LOGIN_FAILED, "sshd", "Failed (password|publickey|keyboard-interactive/pam) for "),
    Rule(log_events.CONFIG_APPLIED, "device", "^ *configuration [0-9a-f]+ applied "),
    Rule(log_events.CONFIG_CONFIRMED, "device", "^ *configuration [0-9a-f]+ confirmed"),
    Rule(log_events.CONFIG_ROLLED_BACK, "device", "^ *configuration [0-9a-f]* rolled back: "),
    Rule(log_events.TUNNEL_UP, "device", "^ *tunnel to .* is up"),
    Rule(log_events.TUNNEL_DOWN, "device", "^ *tunnel to .* is down"),
    Rule(log_events.UPLINK_CHANGED, "device", "^ *uplink in use: "),
    Rule(log_events.SOURCE_BLOCKED, "device", "^ *source [0-9.]+ blocked"),
    Rule(log_events.SOURCE_RELEASED, "device", "^ *source [0-9.]+ released"),
    Rule(log_events.THREAT_DETECTED, "device", "^ *threat "),
    Rule(log_events.PASSWORD_CHANGED, "device", "^ *password of [^ ]+ (changed|reset)"),
    Rule(log_events.HEARTBEAT, "device", "^ *heartbeat "),
)


BY_KEY_ONLY = Rule(log_events.LOGIN_FAILED, "sshd", "^ *Invalid user ")
"""Where no password is taken this is all that sshd says of a user who is none; else it says both."""


def render_rules(least: str, action: str, *, by_key_only: bool) -> Iterator[str]:
    """Yield the lines of rsyslog.conf that name a message, and send it by `action` where it is grave enough."""
    yield 'set $.msgid = "-";'
    yield "set $.severity = $syslogseverity;"
    for place, rule in enumerate((*RULES, BY_KEY_ONLY) if by_key_only else RULES):
        word = "else if" if place else "if"
        severity = SEVERITIES.index(EVENT_SEVERITIES[rule.event])
        yield f'{word} $programname == "{rule.program}" and re_match($msg, "{rule.pattern}") then {{'
        yield f'  set $.msgid = "{rule.event}"; set $.severity = {severity};'
        yield "}"
    yield f"if cnum($.severity) <= {SEVERITIES.index(least)} then {{"
    yield "  set $.pri = cnum($syslogfacility) * 8 + cnum($.severity);"
    yield "  set $/sequence = cnum($/sequence) + 1;"
    yield "  set $.sequence = $/sequence;"  # the template is filled in later, by the action's own worker
    yield f"  {action}"
    yield "}"
