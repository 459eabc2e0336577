"""Whether what a configuration says of logs and alerts makes sense. Layer: router firmware, pure."""

from __future__ import annotations

import re
from collections.abc import Iterator

from emulators.common.device_config import DeviceConfig, Logging

HOST = re.compile(r"[a-z0-9]([a-z0-9.-]{0,251}[a-z0-9])?", re.IGNORECASE)
MOST_BUFFERED = 100_000
"""Messages that the device has room for; our choice."""


def check_logs(config: DeviceConfig) -> Iterator[tuple[str, str]]:
    """Yield section and reason for each fault."""
    if config.logging is not None:
        yield from _check_logging(config.logging)
    if config.alerts is not None:
        named = [c.condition for c in config.alerts.conditions]
        if len(set(named)) != len(named):
            yield "alerts.conditions", f"expected each condition once, saw {', '.join(named)}"


def _check_logging(logging: Logging) -> Iterator[tuple[str, str]]:
    if not HOST.fullmatch(logging.server):
        yield "logging.server", f"expected a name or an address, saw {logging.server!r}"
    if not 1 <= logging.port <= 65535:
        yield "logging.port", f"expected 1 to 65535, saw {logging.port}"
    if logging.transport == "tls" and not logging.ca_pem:
        yield "logging.ca_pem", "expected a certificate to check the server by (RFC 5425 section 5), saw none"
    if not 0 <= logging.buffer_messages <= MOST_BUFFERED:
        yield "logging.buffer_messages", f"expected 0 to {MOST_BUFFERED}, saw {logging.buffer_messages}"
