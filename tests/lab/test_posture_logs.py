"""Logs of the device with its real rsyslog: what the rendered configuration makes of messages, in the router's image.

Names, severities, sequence and the least severity are rsyslog's own doing; a unit test can only look at the text.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from emulators.common import log_events
from emulators.hq.syslog_message import find_sequence, parse_message
from emulators.router.runtime.apply.log_rules import OWN, RFC_5424, render_rules

pytestmark = pytest.mark.lab

IMAGE = "branchproof/router:bench"
SENT = [
    ("<38>", "sshd[17]", "Failed password for operator from 10.0.0.9 port 5 ssh2"),
    ("<38>", "sshd[17]", "Accepted publickey for operator from 10.0.0.9 port 5 ssh2: ECDSA SHA256:x"),
    ("<30>", "charon", "07[IKE] initiating IKE_SA"),
    ("<28>", "device", "tunnel to hq.skerry.example is down"),
    ("<31>", "device", "heartbeat answered by ztp.skerry.example:443"),
    ("<29>", "device", "configuration 1cc3a39e02dca002 applied in 0.45 s"),
    ("<27>", "dnsmasq[3]", "failed to send packet"),
]
SEND = """
import socket, sys, time
for _ in range(100):
    try:
        line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM); line.connect("/tmp/log"); break
    except OSError: time.sleep(0.05)
for text in sys.stdin.read().splitlines(): line.send(text.encode())
"""
RUN = """
mkdir /tmp/spool; rsyslogd -n -f /given/rsyslog.conf -i NONE & pid=$!
python3 /given/send.py < /given/sent
for n in $(seq 100); do [ "$(wc -l < /tmp/out 2>/dev/null || echo 0)" -ge "$1" ] && break; sleep 0.05; done
sleep 0.3; kill $pid; wait $pid; cat /tmp/out
"""


def write_messages(folder: Path, least: str, enough: int) -> list[bytes]:
    """Return what rsyslog makes of SENT, a message a line."""
    lines = [
        'global(workDirectory="/tmp/spool" localHostname="kiosk-north")',
        'module(load="imuxsock" SysSock.Name="/tmp/log" SysSock.RateLimit.Interval="0")',
        f'template(name="rfc5424" type="string" string="{RFC_5424}")',
        f"if {OWN} then stop",
        *render_rules(least, 'action(type="omfile" file="/tmp/out" template="rfc5424")', by_key_only=False),
    ]
    (folder / "rsyslog.conf").write_text("\n".join(lines) + "\n")
    (folder / "sent").write_text("".join(f"{p}Nov 25 02:23:37 {tag}: {text}\n" for p, tag, text in SENT))
    (folder / "send.py").write_text(SEND)
    (folder / "run.sh").write_text(RUN)
    folder.chmod(0o755)
    command = ["docker", "run", "--rm", "--network", "none", "--cap-drop", "ALL", "--tmpfs", "/tmp", "--tmpfs", "/run"]
    command += ["-v", f"{folder}:/given:ro", IMAGE, "sh", "/given/run.sh", str(enough)]
    done = subprocess.run(command, capture_output=True, check=True, timeout=60)
    return done.stdout.splitlines()


@pytest.mark.parametrize(
    ("least", "events"),
    [
        ("debug", [log_events.LOGIN_FAILED, log_events.LOGIN_ACCEPTED, "-", log_events.TUNNEL_DOWN,
                   log_events.HEARTBEAT, log_events.CONFIG_APPLIED, "-"]),
        ("notice", [log_events.LOGIN_FAILED, log_events.LOGIN_ACCEPTED, log_events.TUNNEL_DOWN,
                    log_events.CONFIG_APPLIED, "-"]),
        ("warning", [log_events.LOGIN_FAILED, log_events.TUNNEL_DOWN, "-"]),
        ("err", ["-"]),
    ],
)  # fmt: skip
def test_messages_as_rsyslog_writes_them(tmp_path, least, events):
    read = [parse_message(line) for line in write_messages(tmp_path, least, len(events))]
    assert [message.msgid for message in read] == events
    assert [find_sequence(message) for message in read] == list(range(1, len(events) + 1))
    assert {message.hostname for message in read} == {"kiosk-north"}
    assert all(log_events.is_at_least(message.severity, least) for message in read)
    named = {m.msgid: m.severity for m in read if m.msgid != "-"}
    assert named == {event: log_events.EVENT_SEVERITIES[event] for event in named}
    assert not any(message.text.startswith(" ") for message in read)
