"""What each SSH session of the operator runs first (sshd_config(5), ForceCommand). Layer: router firmware, I/O.

It runs as the operator, alone: standard library only, no module of the firmware. Its own commands are answered by the
device (operator_desk.py) as one line of JSON, with exit status 0 where ``ok`` holds:

    change-password            old and new password, a line each, on stdin
    reset-password             the first password again, to be changed again
    show-blocked               sources that are blocked, and the seconds left
    release-blocked [SOURCE]   release one, or all; their failed log-ins are forgotten

Anything else is a command for the shell, but not for whoever came in by a first password that is still to be changed.
"""

from __future__ import annotations

import json
import os
import socket
import sys
from pathlib import Path
from typing import Any

DESK = "/run/operator.sock"
OWN = ("change-password", "reset-password", "show-blocked", "release-blocked")
FOR_ALL = OWN[0]
PATIENCE_S = 10.0
MUST_CHANGE = {"ok": False, "word": "must_change", "reason": "the first password opens nothing but change-password"}


def main() -> int:
    """Run what the session asked for. Returns the exit status."""
    command = os.environ.get("SSH_ORIGINAL_COMMAND", "")
    words = command.split()
    name = words[0] if words and words[0] in OWN else None
    if name != FOR_ALL and _came_by_password() and ask({"do": "state"}).get("must_change") is not False:
        return tell(MUST_CHANGE)
    if name is None:
        sys.stdout.flush()
        os.execv("/bin/sh", ["sh", "-c", command] if command else ["sh"])
    return tell(ask(build_question(name, words[1:])))


def build_question(name: str, words: list[str]) -> dict[str, Any]:
    """Return the question for the device; what the command needs besides comes on stdin."""
    if name == "change-password":
        old, new = (sys.stdin.buffer.readline().removesuffix(b"\n").decode("utf-8", "surrogateescape") for _ in "on")
        return {"do": name, "old": old, "new": new}
    return {"do": name, "source": words[0] if words else None}


def ask(question: dict[str, Any]) -> dict[str, Any]:
    """Put a question to the device."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as desk:
        desk.settimeout(PATIENCE_S)
        desk.connect(DESK)
        desk.sendall(json.dumps(question).encode() + b"\n")
        answer: dict[str, Any] = json.loads(desk.makefile("rb").readline() or b"{}")
    return answer


def tell(answer: dict[str, Any]) -> int:
    """Print an answer and return the exit status that goes with it."""
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()
    return 0 if answer.get("ok") is True else 1


def _came_by_password() -> bool:
    """True unless sshd says that a key was used (sshd_config(5), ExposeAuthInfo)."""
    try:
        methods = Path(os.environ["SSH_USER_AUTH"]).read_text(encoding="ascii").splitlines()
    except (KeyError, OSError, ValueError):
        return True
    return not any(line.startswith("publickey ") for line in methods)


if __name__ == "__main__":
    sys.exit(main())
