"""What the device itself says in its own log. Layer: router firmware, I/O (syslog(3)).

The texts are what log_rules.py knows events by. Severities of named events are those of log_events.py.
"""

from __future__ import annotations

import syslog
import threading

PROGRAM = "device"
_LOCK = threading.Lock()  # openlog(3) is the whole process's


def note(priority: int, text: str, facility: int = syslog.LOG_DAEMON, program: str = PROGRAM) -> None:
    """Say something. `priority`: one of syslog.LOG_*. `program`: whose words they are, where not the device's own."""
    with _LOCK:
        syslog.openlog(program, 0, facility)
        syslog.syslog(priority, text)
