"""The server's name in a TLS ClientHello. Layer: router firmware, pure.

RFC 8446 section 5.1 (records; a message may lie in several), section 4.1.2 (ClientHello), RFC 6066 section 3 (server
name). Bytes come as they arrive: whether there are enough is for `read_server_name` to say.
"""

from __future__ import annotations

HANDSHAKE, CLIENT_HELLO = 22, 1  # RFC 8446 appendix B.1, B.3
SERVER_NAME, HOST_NAME = 0, 0  # RFC 6066 section 3
MOST_BYTES = 16 * 1024
"""More than any ClientHello in use; longer ones are refused. Our choice, no source."""
LARGEST_RECORD = 1 << 14  # RFC 8446 section 5.1


class NotTlsError(ValueError):
    """The bytes do not begin with a ClientHello, or with one that cannot be read."""


def read_server_name(data: bytes) -> tuple[bool, str | None]:
    """Return whether the ClientHello is whole, and the name in it in small letters (None: it names no server).

    Raises: NotTlsError as soon as the bytes cannot be the beginning of one.
    """
    message = _join_records(data)
    if message[:1] and message[0] != CLIENT_HELLO:
        raise NotTlsError(f"expected a ClientHello, saw handshake message {message[0]}")
    if len(message) < 4:
        return False, None
    length = int.from_bytes(message[1:4], "big")
    if length > MOST_BYTES:
        raise NotTlsError(f"expected a ClientHello of at most {MOST_BYTES} bytes, saw one of {length}")
    if len(message) < 4 + length:
        return False, None
    return True, _find_name(message[4 : 4 + length])


def is_allowed(name: str | None, allowed: tuple[str, ...]) -> bool:
    """Say whether a name is one of those allowed: itself, or below one that begins with a dot."""
    if name is None:
        return False
    return any(name == one.removeprefix(".") or (one.startswith(".") and name.endswith(one)) for one in allowed)


def _join_records(data: bytes) -> bytes:
    joined, at = b"", 0
    while at < len(data):
        head = data[at : at + 5]
        if head[0] != HANDSHAKE or head[1:2] not in (b"", b"\x03"):
            raise NotTlsError(f"expected a TLS handshake record, saw {bytes(head)!r}")
        if len(head) < 5:
            break
        length = int.from_bytes(head[3:5], "big")
        if not 0 < length <= LARGEST_RECORD:
            raise NotTlsError(f"expected a record of 1 to {LARGEST_RECORD} bytes, saw one of {length}")
        joined += data[at + 5 : at + 5 + length]
        at += 5 + length
        if len(joined) >= 4 and len(joined) >= 4 + int.from_bytes(joined[1:4], "big"):
            break
    return joined


class _Reader:
    """Takes vectors off the front (RFC 8446 section 3.4)."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    @property
    def left(self) -> int:
        return len(self._data) - self._at

    def take(self, count: int) -> bytes:
        if count > self.left:
            raise NotTlsError(f"expected {count} bytes more, saw {self.left}")
        self._at += count
        return self._data[self._at - count : self._at]

    def number(self, width: int) -> int:
        return int.from_bytes(self.take(width), "big")

    def vector(self, width: int) -> bytes:
        return self.take(self.number(width))


def _find_name(body: bytes) -> str | None:
    reader = _Reader(body)
    reader.take(2 + 32)  # legacy_version, random
    reader.vector(1)  # legacy_session_id
    reader.vector(2)  # cipher_suites
    reader.vector(1)  # legacy_compression_methods
    if not reader.left:
        return None
    extensions, found = _Reader(reader.vector(2)), None
    while extensions.left:
        kind, content = extensions.number(2), extensions.vector(2)
        if kind == SERVER_NAME:
            if found is not None:  # RFC 8446 section 4.2: not more than one of a type
                raise NotTlsError("expected one server_name extension, saw two")
            found = _read_list(content)
    return found


def _read_list(content: bytes) -> str:
    names = _Reader(_Reader(content).vector(2))
    if names.number(1) != HOST_NAME:
        raise NotTlsError("expected a host_name")
    name = names.vector(2)
    if names.left:  # RFC 6066 section 3: not more than one name of a type
        raise NotTlsError("expected one server name, saw more")
    try:
        return name.decode("ascii").lower()
    except UnicodeDecodeError as error:
        raise NotTlsError(f"expected a server name in ASCII, saw {name!r}") from error
