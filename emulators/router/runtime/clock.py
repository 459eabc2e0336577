"""The device's clock: set from NTP by chronyd, one shot. Layer: runtime, I/O.

The clock has no battery: it shows the year of the hardware when power comes on. RFC 8572 §9.1 says that a device SHOULD
NOT rely on NTP for time during bootstrap, since NTP is not authenticated. This device does, as branch routers commonly
do: without a right clock no server certificate is valid (RFC 5280 §6.1.3), and the bench's carrier is the only one who
could forge it. So the time is trusted no further than for that.

Where no time server answers, the device goes on asking and does not bootstrap. §9.1 would have a device whose clock
cannot be made right take certificates for ever valid; this one does not, since that would make every old key of a
server good again at the one moment when the device believes whatever that server says, and since its tunnel and logs
need the time anyway.

chronyd runs under the same clock as we do and only measures; the offset is written to the clock's file in place.
"""

from __future__ import annotations

import os
import re
import struct
import subprocess
from pathlib import Path

WAIT_S = 10  # for the one sample: chronyd sends up to 4 requests, 2 s apart (chrony.conf(5), iburst)
_WRONG = re.compile(r"System clock wrong by (-?\d+\.\d+) seconds")


class ClockError(RuntimeError):
    """No time server answered in a way that could be used."""


def parse_offset(text: str) -> float | None:
    """Return by how many seconds the clock is behind, from chronyd's output; None when it did not measure."""
    found = _WRONG.search(text)
    return float(found.group(1)) if found else None


def measure_offset(address: str, wait_s: int = WAIT_S) -> float:
    """Ask one time server. Returns seconds to add to the clock. Raises: ClockError."""
    directives = [f"server {address} iburst maxsamples 1", "cmdport 0", "pidfile /run/chronyd-once.pid"]
    command = ["chronyd", "-Q", "-u", "root", "-t", str(wait_s), *directives]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=wait_s + 5)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ClockError(f"chronyd with {address}: {error}") from error
    offset_s = parse_offset(done.stdout + done.stderr)
    if offset_s is None:
        said = " / ".join((done.stdout + done.stderr).strip().splitlines()[-2:])
        raise ClockError(f"time server {address}: expected an offset, saw exit {done.returncode}: {said}")
    return offset_s


def step_clock(offset_s: float) -> None:
    """Add seconds to the device's clock; running processes see it at once. Raises: OSError."""
    path = Path(os.environ["BENCH_CLOCK_FILE"])
    descriptor = os.open(path, os.O_RDWR)
    try:
        (offset_ns,) = struct.unpack("<q", os.pread(descriptor, 8, 0))
        os.pwrite(descriptor, struct.pack("<q", offset_ns + round(offset_s * 1e9)), 0)
    finally:
        os.close(descriptor)
