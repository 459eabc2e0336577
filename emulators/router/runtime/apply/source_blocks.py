"""Sources that had too many failed log-ins: kept from the administration's port for a time. Layer: firmware, I/O (nft).

The block is a set of the kernel's whose elements time out, in a table of its own that is looked at before the packet
filter (firewall.py), whose rules may be replaced at any time. What a blocked source sends to the port is dropped, on
connections that stand already too.

Not here: what is a failure, and how many are too many (login_failures.py).
"""

from __future__ import annotations

import json
import syslog
import threading
import time
from typing import Any

from emulators.common.controls import Lockout
from emulators.common.supervise import run

from .base import Emitter
from .device_log import note
from .login_failures import FailureCount, find_failure

TABLE, SET = "inet lockout", "blocked"


class Guard:
    """The lock-out of one configuration. Safe from any thread."""

    def __init__(self, lockout: Lockout, port: int, console: Emitter) -> None:
        self._lockout, self._console = lockout, console
        self._count = FailureCount(lockout)
        self._lock = threading.Lock()
        self._blocked: dict[str, threading.Timer] = {}
        run(["nft", "-f", "-"], text=render_table(port))

    def on_line(self, line: str) -> None:
        """Take one line of sshd's log."""
        failure = find_failure(line)
        if failure is None:
            return
        with self._lock:
            if failure[0] not in self._blocked and self._count.add(failure[0], time.monotonic()):
                self._block(failure[0])

    def list_blocked(self) -> list[dict[str, Any]]:
        """Return each blocked source and the seconds that are left, as the kernel has them."""
        listed = json.loads(run(["nft", "-j", "list", "set", *TABLE.split(), SET]))
        return parse_blocked(listed)

    def release(self, source: str | None = None) -> list[str]:
        """Release one source, or all, and forget their failures. Returns those that were blocked."""
        with self._lock:
            self._count.forget(source)
            released = [each for each in self._blocked if source in (None, each)]
            for each in released:
                self._blocked.pop(each).cancel()
                run(["nft", "delete", "element", *TABLE.split(), SET, f"{{ {each} }}"])
                self._tell_released(each, "operator")
        return released

    def stop(self) -> None:
        """Take the table away, and every block with it."""
        with self._lock:
            for timer in self._blocked.values():
                timer.cancel()
            self._blocked.clear()
            self._count.forget()
            run(["nft", "-f", "-"], text=f"table {TABLE}\ndelete table {TABLE}\n")

    def _block(self, source: str) -> None:
        block_s, failures = self._lockout.block_s, self._lockout.failures
        element = f"{{ {source} timeout {round(block_s * 1000)}ms }}"
        run(["nft", "add", "element", *TABLE.split(), SET, element])
        timer = threading.Timer(block_s, self._on_expired, (source,))
        timer.daemon = True
        self._blocked[source] = timer
        timer.start()
        self._console.emit("source.blocked", source=source, failures=failures, block_s=block_s)
        text = f"source {source} blocked for {block_s:g} s after {failures} failed log-ins"
        note(syslog.LOG_WARNING, text, syslog.LOG_AUTHPRIV)

    def _on_expired(self, source: str) -> None:
        with self._lock:
            if self._blocked.pop(source, None) is not None:
                self._tell_released(source, "expired")

    def _tell_released(self, source: str, reason: str) -> None:
        self._console.emit("source.released", source=source, reason=reason)
        note(syslog.LOG_NOTICE, f"source {source} released: {reason}", syslog.LOG_AUTHPRIV)


def render_table(port: int) -> str:
    """Return the script that (re-)makes the table, with nobody blocked."""
    return (
        f"table {TABLE}\ndelete table {TABLE}\ntable {TABLE} {{\n"
        f"  set {SET} {{\n    type ipv4_addr\n    flags timeout\n  }}\n"
        "  chain input {\n    type filter hook input priority filter - 10; policy accept;\n"
        f"    ip saddr @{SET} tcp dport {port} drop\n  }}\n}}\n"
    )


def parse_blocked(listed: Any) -> list[dict[str, Any]]:
    """Read ``nft -j list set`` (libnftables-json(5))."""
    found: list[dict[str, Any]] = []
    for item in listed["nftables"]:
        for element in item.get("set", {}).get("elem", ()):
            details = element["elem"]
            found.append({"source": details["val"], "seconds_left": details["expires"]})
    return found
