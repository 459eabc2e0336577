"""Logs: every daemon's go through rsyslog to the node's log and, from the stated severity on, to the syslog server.

rsyslog names the events (log_rules.py) and hands its messages to a gate on the loopback (log_gate.py), which is open
only while the way to the server is: what is sent into a dead tunnel is lost, and nobody is told.
"""

from __future__ import annotations

import os
import threading
from contextlib import suppress
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

from emulators.common.device_config import DeviceConfig
from emulators.common.log_events import SEVERITIES
from emulators.common.service import log
from emulators.common.supervise import Daemon, Keeper, write_private

from ..base import Files, Ground, Part, Running, Situation, address_of
from ..log_gate import GATE_PORT, Gate
from ..log_rules import OWN, QUIETEST_MIRRORED, RFC_5424, render_rules
from ..log_ways import build_way

CONF, MIRROR, SPOOL, SOCKET = "/run/etc/rsyslog.conf", "/run/log.fifo", "/run/spool", "/dev/log"
READY_S = 3.0
_KEPT: list[bytes] = []
"""Messages that the configuration before could not send."""
_STANDING: list[Gate] = []
"""The gate of the configuration that runs, if it has one: log_way.py opens it."""


def render(config: DeviceConfig, _situation: Situation) -> Files:
    """Return rsyslog's configuration."""
    lines = [
        f'global(workDirectory="{SPOOL}" localHostname="{config.hostname}")',
        f'module(load="imuxsock" SysSock.Name="{SOCKET}" SysSock.RateLimit.Interval="0")',
        'template(name="mirror" type="string" string="%syslogtag%%msg%\\n")',
        f"if not ({OWN}) and $syslogseverity <= {QUIETEST_MIRRORED} then",
        f'  action(type="ompipe" pipe="{MIRROR}" template="mirror")',
    ]
    if config.logging is not None:
        by_key_only = config.administration is not None and config.administration.password is None
        action = (
            f'action(type="omfwd" target="127.0.0.1" port="{GATE_PORT}" protocol="tcp" tcp_framing="octet-counted"'
            ' template="rfc5424" action.resumeRetryCount="-1" action.resumeInterval="1" action.resumeIntervalMax="2"'
            ' queue.type="LinkedList" queue.size="10000" queue.timeoutShutdown="200" queue.timeoutActionCompletion="1")'
        )
        lines += [
            f'template(name="rfc5424" type="string" string="{RFC_5424}")',
            f"if {OWN} then stop",
            *render_rules(config.logging.least, action, by_key_only=by_key_only),
        ]
    return {CONF: "\n".join(lines) + "\n"}


def start(config: DeviceConfig, _situation: Situation, files: Files, _ground: Ground) -> Running:
    """Start rsyslog, the reader of its mirror, and the gate."""
    write_private(Path(CONF), files[CONF])
    Path(SPOOL).mkdir(parents=True, exist_ok=True)
    Path(SOCKET).unlink(missing_ok=True)
    mirror = _open_mirror()
    gate = _build_gate(config)
    keeper = Keeper(Daemon("rsyslog", ("rsyslogd", "-n", "-f", CONF, "-i", "NONE"))).start()
    try:
        keeper.wait_ready(Path(SOCKET).exists, READY_S)
    except BaseException:
        keeper.stop()
        _stop_gate(gate)
        os.close(mirror)
        raise

    def stop() -> None:
        keeper.stop()
        _stop_gate(gate)
        with suppress(OSError):
            os.write(mirror, b"\0\n")  # wakes the reader, which ends

    return Running(stop=stop)


def open_way(config: DeviceConfig, situation: Situation) -> None:
    """Open or shut the way as the situation has it."""
    for gate in _STANDING:
        gate.set_open(is_way_open(config, situation))


def shut_way() -> None:
    """Shut the way, and end what is connected by it."""
    for gate in _STANDING:
        gate.shut()


def is_way_open(config: DeviceConfig, situation: Situation) -> bool:
    """True while the server can be reached: through the tunnel where it lies behind it, else by any uplink."""
    if config.logging is None:
        return False
    try:
        server = IPv4Address(config.logging.server)
    except ValueError:
        return situation.uplink is not None
    if any(server in IPv4Network(subnet) for subnet in config.tunnel.remote_subnets):
        return situation.tunnel_up
    return situation.uplink is not None


def _build_gate(config: DeviceConfig) -> Gate | None:
    if config.logging is None:
        return None
    way = build_way(config.logging, address_of(config.segments[0]))
    least = SEVERITIES.index(config.logging.least)
    kept = [message for message in _KEPT if find_severity(message) <= least]
    gate = Gate(way, kept, most=config.logging.buffer_messages)
    _KEPT.clear()
    _STANDING.append(gate)
    gate.start()
    return gate


def find_severity(message: bytes) -> int:
    """Return a message's severity, 0 to 7 (RFC 5424 section 6.2.1: PRI modulo 8)."""
    return int(message[1:].partition(b">")[0]) % 8


def _stop_gate(gate: Gate | None) -> None:
    if gate is not None:
        _STANDING.remove(gate)
        _KEPT[:] = gate.stop()


def _open_mirror() -> int:
    path = Path(MIRROR)
    path.unlink(missing_ok=True)
    os.mkfifo(path, 0o600)
    mirror = os.open(path, os.O_RDWR | os.O_CLOEXEC)  # read-write: it neither blocks nor ends when rsyslog does
    threading.Thread(target=_read_mirror, args=(mirror,), name="log mirror", daemon=True).start()
    return mirror


def _read_mirror(mirror: int) -> None:
    with os.fdopen(mirror, "rb", buffering=0) as pipe:
        rest = b""
        while True:
            *lines, rest = (rest + pipe.read(65536)).split(b"\n")
            for line in lines:
                if line == b"\0":
                    return
                log(line.decode("utf-8", "replace"))


PART = Part(name="logs", section="logging", wave=0, render=render, start=start)
