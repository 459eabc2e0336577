"""Read syslog messages: RFC 5424, framed as RFC 6587 says on TCP and RFC 5425 on TLS. Layer: stand-in, pure."""

from __future__ import annotations

import re
from dataclasses import dataclass

from emulators.common.log_events import SEQUENCE_ELEMENT, SEQUENCE_PARAM, SEVERITIES

FACILITIES = (
    *("kern", "user", "mail", "daemon", "auth", "syslog", "lpr", "news", "uucp", "cron", "authpriv", "ftp", "ntp"),
    *("audit", "alert", "clock", "local0", "local1", "local2", "local3", "local4", "local5", "local6", "local7"),
)
"""RFC 5424 6.2.1, table 1, in the usual short names."""
LARGEST_FRAME_BYTES = 65536
NIL = "-"

_HEADER = re.compile(
    rb"<(0|[1-9][0-9]{0,2})>1 "
    rb"(-|[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]{1,6})?(?:Z|[+-][0-9]{2}:[0-9]{2})) "
    rb"([!-~]{1,255}) ([!-~]{1,48}) ([!-~]{1,128}) ([!-~]{1,32}) "
)  # RFC 5424 6: the lengths are the grammar's
_ELEMENT = re.compile(rb'\[[!-~]{1,32}(?: [!-~]{1,32}="(?:[^"\\\]]|\\.)*")*\]', re.DOTALL)
_SEQUENCE = re.compile(rf'\[{SEQUENCE_ELEMENT}(?: [!-~]+="(?:[^"\\\]]|\\.)*")*? {SEQUENCE_PARAM}="([1-9][0-9]{{0,9}})"')
_BOM = b"\xef\xbb\xbf"


class SyslogError(ValueError):
    """Bytes are not a syslog message of RFC 5424, or not framed as RFC 6587 says."""


@dataclass(frozen=True, slots=True)
class SyslogMessage:
    """One message. `timestamp` as it was sent; NILVALUE stays ``-``. `structured`: the elements as sent."""

    facility: str
    severity: str
    timestamp: str
    hostname: str
    app: str
    procid: str
    msgid: str
    structured: str
    text: str


def parse_message(data: bytes) -> SyslogMessage:
    """Read one message. Raises: SyslogError."""
    header = _HEADER.match(data)
    if header is None or int(header[1]) > 191:
        raise SyslogError(f"expected an RFC 5424 header, saw {data[:80]!r}")
    structured, rest = _split_structured(data[header.end() :])
    if rest and not rest.startswith(b" "):
        raise SyslogError(f"expected a space after the structured data, saw {rest[:40]!r}")
    facility, severity = divmod(int(header[1]), 8)
    timestamp, hostname, app, procid, msgid = (header[index].decode("ascii") for index in range(2, 7))
    text = rest[1:].removeprefix(_BOM).decode("utf-8", "replace").rstrip("\n")
    return SyslogMessage(
        FACILITIES[facility], SEVERITIES[severity], timestamp, hostname, app, procid, msgid, structured, text
    )


def find_sequence(message: SyslogMessage) -> int | None:
    """Return the message's number in its originator's sequence (RFC 5424 7.3.1), or None where it has none."""
    found = _SEQUENCE.search(message.structured)
    return int(found[1]) if found else None


def split_stream(data: bytes) -> tuple[list[bytes], bytes]:
    """Return the whole messages at the start of a TCP stream, and what is left. Raises: SyslogError.

    RFC 6587 3.4: a digit first means octet counting, ``<`` means messages that end in LF.
    """
    messages: list[bytes] = []
    while data:
        if data[:1].isdigit():
            length, separator, rest = data.partition(b" ")
            if not separator and len(length) < 6 and length.isdigit():
                break
            if not length.isdigit() or int(length) > LARGEST_FRAME_BYTES:
                raise SyslogError(f"expected MSG-LEN of at most {LARGEST_FRAME_BYTES}, saw {data[:20]!r}")
            if len(rest) < int(length):
                break
            messages.append(rest[: int(length)])
            data = rest[int(length) :]
        elif data[:1] == b"<":
            line, separator, rest = data.partition(b"\n")
            if not separator:
                if len(line) > LARGEST_FRAME_BYTES:
                    raise SyslogError(f"no LF within {LARGEST_FRAME_BYTES} bytes, saw {data[:20]!r}")
                break
            messages.append(line)
            data = rest
        else:
            raise SyslogError(f"expected a digit or '<', saw {data[:20]!r}")
    return messages, data


def _split_structured(data: bytes) -> tuple[str, bytes]:
    if data.startswith(NIL.encode()):
        return NIL, data[1:]
    end = 0
    while match := _ELEMENT.match(data, end):
        end = match.end()
    if not end:
        raise SyslogError(f"expected structured data, saw {data[:40]!r}")
    return data[:end].decode("utf-8", "replace"), data[end:]
