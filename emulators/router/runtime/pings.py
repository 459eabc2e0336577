"""ICMP echoes by way of one interface: one by ping(8), and one of a given size. Layer: firmware, I/O."""

from __future__ import annotations

import errno
import os
import secrets
import socket
import subprocess
import time

from emulators.common.icmp_echo import build_echo, parse_answer

WAIT_S = 1.0
IP_MTU_DISCOVER, IP_PMTUDISC_PROBE = 10, 3  # linux/in.h: DF is set, and no MTU but the interface's is looked at
MOST_BYTES = 65535


def ping(interface: str, target: str, wait_s: float = WAIT_S) -> bool:
    """Say whether `target` answers one ICMP echo sent by way of `interface`.

    Without the preload of the device's clock: kernel time stamps do not follow it.
    """
    command = ["ping", "-n", "-q", "-c", "1", "-W", f"{wait_s:g}", "-I", interface, target]
    environment = {k: v for k, v in os.environ.items() if k != "LD_PRELOAD"}
    return subprocess.run(command, capture_output=True, env=environment, check=False).returncode == 0


def crosses(interface: str, target: str, packet_bytes: int, wait_s: float = WAIT_S) -> bool:
    """Say whether an echo in an IPv4 packet of that size, DF set, comes back whole by way of `interface`.

    A socket of its own, since ping(8) of this release cannot probe above a route's MTU. Raises: OSError.
    """
    ident = secrets.randbits(16)
    with socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP) as line:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, interface.encode())
        line.setsockopt(socket.IPPROTO_IP, IP_MTU_DISCOVER, IP_PMTUDISC_PROBE)
        try:
            line.sendto(build_echo(ident, 1, packet_bytes), (target, 0))
        except OSError as error:
            if error.errno == errno.EMSGSIZE:  # the interface itself does not take it
                return False
            raise
        deadline_s = time.monotonic() + wait_s
        while (left_s := deadline_s - time.monotonic()) > 0:
            line.settimeout(left_s)
            try:
                answer = parse_answer(line.recv(MOST_BYTES))
            except TimeoutError:
                break
            if answer is not None and answer.ident == ident:
                return answer.kind == "reply"
    return False
