"""Packet capture of a link by tcpdump, as a child of the stand-in. Layer: stand-in, I/O.

Laws: `start_capture` returns only once tcpdump says that it listens, so nothing sent afterwards is missed; ``stop``
lets it read all that came before and then ends it; what the kernel had no room for can be asked for. Packets reach the
file as they are seen (-U, --immediate-mode), so a copy taken while the capture runs is whole up to that moment.

Not here: what is in a capture (census.py); the verbs that hand it out (verbs.py).
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

from emulators.common.service import log

CAPTURE_DIR = Path("/run/capture")
SNAPLEN_BYTES = 2000
"""Whole packets of every link here (MTU 1500); of the larger segments that the kernel hands over unsplit, the head. The
kernel's ring has slots of this size, so a longer one means fewer slots: 8 at tcpdump's default, which lost packets."""
BUFFER_KIB = 16 * 1024  # some 4000 slots: more than a second of a 40 Mbit/s link while tcpdump does not get to run
STATISTICS_S = 2.0
START_TIMEOUT_S = 10.0  # tcpdump listens after some 50 ms here; a loaded machine gets a wide margin
STOP_TIMEOUT_S = 5.0


class CaptureError(RuntimeError):
    """tcpdump did not start listening, or did not end."""


@dataclass(slots=True)
class Capture:
    """A running capture. `stop` may be called twice."""

    link: str
    path: Path
    process: subprocess.Popen[bytes]
    statistics: list[str] = field(default_factory=list)
    """tcpdump's own last lines: packets captured, received by filter, dropped by kernel."""
    reader: threading.Thread | None = None

    def stop(self) -> None:
        """End the capture and wait until the file is whole. Raises: CaptureError."""
        self._wait_idle()
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGKILL):
            if self.process.poll() is None:
                self.process.send_signal(number)
            try:
                self.process.wait(STOP_TIMEOUT_S)
                break
            except subprocess.TimeoutExpired:
                log(f"capture of {self.link}: tcpdump did not end on {number.name} within {STOP_TIMEOUT_S} s")
        else:
            raise CaptureError(f"capture of {self.link}: tcpdump (pid {self.process.pid}) does not end")
        if self.reader is not None:
            self.reader.join(STOP_TIMEOUT_S)

    def _wait_idle(self) -> None:
        """Wait until tcpdump sleeps: then it has read all that came before. A signal earlier leaves the rest unread."""
        deadline = time.monotonic() + STOP_TIMEOUT_S
        while self.process.poll() is None and time.monotonic() < deadline:
            status = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="utf-8", errors="replace")
            if status.rpartition(")")[2].split()[0] == "S":  # proc(5), field 3: sleeping, interruptibly
                return
            time.sleep(0.005)  # no event tells that a process came to rest: its state can only be looked at

    def count_dropped(self) -> int:
        """Return how many packets the kernel had no room for, so far: where not 0, the file does not hold all.

        Asks a running tcpdump by SIGUSR1 (tcpdump(1)). Raises: CaptureError where it does not say.
        """
        told = len(self.statistics)
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGUSR1)
        else:
            told = 0
        deadline = time.monotonic() + STATISTICS_S
        while time.monotonic() < deadline:
            for line in self.statistics[told:]:
                if found := re.search(r"(\d+) packets? dropped by kernel", line):
                    return int(found[1])
            time.sleep(0.01)  # until the reader thread has the lines that tcpdump just wrote
        raise CaptureError(f"capture of {self.link}: expected tcpdump's statistics, saw {self.statistics[-3:]}")


_running: dict[str, Capture] = {}


def find_capture(link: str) -> Capture | None:
    """Return this process's last capture of a link."""
    return _running.get(link)


def capture_path(link: str) -> Path:
    """Return where the capture of a link is kept."""
    return CAPTURE_DIR / f"{link}.pcap"


def build_command(link: str, path: Path, expression: str, snaplen: int) -> list[str]:
    """Return tcpdump's command line. -Z root: it must keep the user who may write to the path and be signalled."""
    command = ["tcpdump", "-Z", "root", "-U", "--immediate-mode", "-n", "-B", str(BUFFER_KIB), "-i", link]
    command += ["-s", str(snaplen or SNAPLEN_BYTES), "-w", str(path)]
    return [*command, *([expression] if expression else [])]


def start_capture(link: str, path: Path, filter: str = "", snaplen: int = 0) -> Capture:  # noqa: A002
    """Start to capture a link into a file (made anew). `filter` in pcap-filter(7)'s words; `snaplen` 0: SNAPLEN_BYTES.

    Raises: CaptureError.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    environment = {k: v for k, v in os.environ.items() if k != "LD_PRELOAD"}  # kernel stamps: keep one clock
    process = subprocess.Popen(
        build_command(link, path, filter, snaplen),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={**environment, "LC_ALL": "C"},
    )
    capture = Capture(link, path, process)
    listening = threading.Event()
    capture.reader = threading.Thread(target=_read_messages, args=(capture, listening), daemon=True)
    capture.reader.start()
    deadline = time.monotonic() + START_TIMEOUT_S
    while not listening.wait(0.02):
        if process.poll() is not None:
            capture.reader.join(STOP_TIMEOUT_S)
            said = " / ".join(capture.statistics) or "nothing"
            raise CaptureError(f"capture of {link}: expected tcpdump to listen, saw exit {process.returncode}: {said}")
        if time.monotonic() > deadline:
            process.kill()
            process.wait()
            raise CaptureError(f"capture of {link}: tcpdump did not listen within {START_TIMEOUT_S} s")
    _running[link] = capture
    return capture


def _read_messages(capture: Capture, listening: threading.Event) -> None:
    assert capture.process.stderr is not None
    with capture.process.stderr as stream:
        for raw in stream:
            line = raw.decode("utf-8", "replace").strip()
            if "listening on" in line:
                listening.set()
            elif line:
                capture.statistics.append(line)
                log(f"tcpdump {capture.link}: {line}")
