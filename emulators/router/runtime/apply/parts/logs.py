"""Logs: every daemon's go through rsyslog to the node's log and, from the stated severity on, to the syslog server.

RFC 5424 messages. What cannot be sent waits in rsyslog's queue: it hands on to a gate on the loopback (log_gate.py)
that is open only while the way to the server is, since a datagram sent into a dead tunnel tells nobody that it is lost.
"""

from __future__ import annotations

import os
import threading
from contextlib import suppress
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

from emulators.common.device_config import DeviceConfig
from emulators.common.service import log
from emulators.common.supervise import Daemon, Keeper, write_private

from ..base import Files, Ground, Part, Running, Situation, address_of
from ..log_gate import GATE_PORT, Gate

CONF, MIRROR, SPOOL, SOCKET = "/run/etc/rsyslog.conf", "/run/log.fifo", "/run/spool", "/dev/log"
READY_S = 3.0
RFC_5424 = (
    "<%PRI%>1 %TIMESTAMP:::date-rfc3339% %HOSTNAME% %APP-NAME% %PROCID% %MSGID% %STRUCTURED-DATA% "
    "%msg:R,ERE,1,FIELD:^ *(.*)$--end%\\n"
)
"""rsyslog's own template for RFC 5424, but without the blank that the local socket's older form puts before a text."""
OWN = '$programname startswith "rsyslog"'
"""rsyslog's own remarks on a closed gate would fill the queue that waits for it."""


def render(config: DeviceConfig, _situation: Situation) -> Files:
    """Return rsyslog's configuration."""
    lines = [
        f'global(workDirectory="{SPOOL}" localHostname="{config.hostname}")',
        f'module(load="imuxsock" SysSock.Name="{SOCKET}" SysSock.RateLimit.Interval="0")',
        'template(name="mirror" type="string" string="%syslogtag%%msg%\\n")',
        f'if not ({OWN}) then action(type="ompipe" pipe="{MIRROR}" template="mirror")',
    ]
    if config.logging is not None:
        lines += [
            f'template(name="rfc5424" type="string" string="{RFC_5424}")',
            f'if prifilt("*.{config.logging.least}") and not ({OWN}) then action(',
            f'  type="omfwd" target="127.0.0.1" port="{GATE_PORT}" protocol="tcp" tcp_framing="octet-counted"',
            '  template="rfc5424"',
            '  action.resumeRetryCount="-1" action.resumeInterval="1" action.resumeIntervalMax="2"',
            '  queue.type="LinkedList" queue.size="10000" queue.timeoutShutdown="1" queue.timeoutActionCompletion="1"',
            ")",
        ]
    return {CONF: "\n".join(lines) + "\n"}


def start(config: DeviceConfig, situation: Situation, files: Files, _ground: Ground) -> Running:
    """Start rsyslog, the reader of its mirror, and the gate."""
    write_private(Path(CONF), files[CONF])
    Path(SPOOL).mkdir(parents=True, exist_ok=True)
    Path(SOCKET).unlink(missing_ok=True)
    mirror = _open_mirror()
    argv = ("rsyslogd", "-n", "-f", CONF, "-i", "NONE")
    keeper = Keeper(Daemon("rsyslog", argv, hushed=f"cannot connect to 127.0.0.1:{GATE_PORT}")).start()
    try:
        keeper.wait_ready(Path(SOCKET).exists, READY_S)
    except BaseException:
        keeper.stop()
        os.close(mirror)
        raise
    gate = _build_gate(config)

    def refresh(_files: Files, new: Situation) -> None:
        if gate is not None:
            gate.set_open(is_way_open(config, new))

    def stop() -> None:
        keeper.stop()
        if gate is not None:
            gate.set_open(False)
        with suppress(OSError):
            os.write(mirror, b"\0\n")  # wakes the reader, which ends

    refresh(files, situation)
    return Running(stop=stop, refresh=refresh)


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
    source = address_of(config.segments[0])
    return Gate(config.logging.server, config.logging.port, config.logging.transport, source)


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
