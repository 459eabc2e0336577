"""The modem's second AT port on stdin and stdout: what `docker exec` runs to look in. Layer: hardware, I/O, main.

The port is one person's at a time (a lock beside it): two readers would take each other's answers. What the port said
before anybody listened is thrown away. Ends when stdin ends, or with the modem. Not here: what lines mean.
"""

from __future__ import annotations

import fcntl
import os
import select
import sys
import termios
from pathlib import Path

from emulators.router.modem.machine import SECOND
from emulators.router.modem.main import PORTS, RUN_DIR

EXIT_BUSY, EXIT_NO_PORT = 3, 4


def bridge(port: int) -> None:
    """Pass octets both ways until stdin ends or the port is gone."""
    while True:
        readable, _, _ = select.select([0, port], [], [])
        if port in readable:
            try:
                said = os.read(port, 4096)
            except OSError:  # EIO: the modem ended
                return
            if not said:
                return
            os.write(1, said)
        if 0 in readable:
            typed = os.read(0, 4096)
            if not typed:
                return
            os.write(port, typed)


def main(run_dir: Path = RUN_DIR) -> int:
    """Run until stdin ends. Returns the exit code."""
    lock = os.open(run_dir / "at2.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        sys.stderr.write("somebody else is at the modem's second AT port\n")
        return EXIT_BUSY
    try:
        port = os.open(run_dir / PORTS[SECOND], os.O_RDWR | os.O_NOCTTY)
    except OSError:
        sys.stderr.write("the modem has no second AT port: it has no power, or is starting\n")
        return EXIT_NO_PORT
    termios.tcflush(port, termios.TCIFLUSH)
    bridge(port)
    return 0


if __name__ == "__main__":
    sys.exit(main())
