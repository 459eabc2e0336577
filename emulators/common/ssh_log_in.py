"""One SSH connection as a trial makes it: from a source of its choice, with several log-ins. Layer: stand-in, I/O.

Unlike the probe ``ssh`` (probes_ssh.py) it says of each step what came of it. The host key is not judged.
"""

from __future__ import annotations

import json
import socket
import subprocess
from typing import Any

import paramiko
from paramiko.ssh_exception import SSHException

from emulators.common.probes import ProbeError, classify_connect_error
from emulators.common.probes_ssh import MAX_OUTPUT_BYTES, load_key

LOST = (SSHException, EOFError, OSError)


class LogIn:
    """A connection to sshd. `outcome`: ``open``, then of the last log-in ``connected`` or ``auth_failed``; ``refused``,
    ``silent``: it never came to one; ``broken``: something answers, but does not keep to SSH."""

    def __init__(self, target: str, port: int, source: str, timeout_s: float) -> None:
        self.outcome, self._timeout_s = "open", timeout_s
        self._transport: paramiko.Transport | None = None
        try:
            plug = socket.create_connection((target, port), timeout_s, source_address=(source, 0))
        except OSError as error:
            self.outcome = classify_connect_error(error)
            return
        try:
            self._transport = paramiko.Transport(plug)
            self._transport.banner_timeout = self._transport.auth_timeout = timeout_s
            self._transport.start_client(timeout=timeout_s)
        except LOST:
            self.outcome = "broken"
            self.close()
            plug.close()

    def try_password(self, user: str, password: str) -> str:
        """Try a password on this connection. Returns the outcome."""
        return self._try(lambda transport: transport.auth_password(user, password, fallback=False))

    def try_key(self, user: str, key: paramiko.PKey) -> str:
        """Try a key on this connection. Returns the outcome."""
        return self._try(lambda transport: transport.auth_publickey(user, key))

    def run(self, command: str, stdin: str = "") -> dict[str, Any]:
        """Run a command in a session of its own. ``exit_status`` is None where it was broken off."""
        if self._transport is None:
            return {"exit_status": None, "output": ""}
        try:
            channel = self._transport.open_session(timeout=self._timeout_s)
            channel.settimeout(self._timeout_s)
            channel.set_combine_stderr(True)
            channel.exec_command(command)
            channel.sendall(stdin.encode())
            channel.shutdown_write()
            output = channel.makefile("rb").read(MAX_OUTPUT_BYTES).decode("utf-8", "replace")
            status = channel.recv_exit_status()
        except LOST as error:
            return {"exit_status": None, "output": f"{type(error).__name__}: {error}"}
        return {"exit_status": status, "output": output}

    def ask(self, command: str, stdin: str = "") -> dict[str, Any]:
        """Run one of the device's own commands: its answer in JSON, or ``{"ok": None}`` and what came instead."""
        done = self.run(command, stdin)
        try:
            answer = json.loads(done["output"])
        except ValueError:
            answer = None
        if not isinstance(answer, dict):
            return {"ok": None, "word": "no_answer", "reason": done["output"][-200:]}
        return answer

    def close(self) -> None:
        """Hang up."""
        if self._transport is not None:
            self._transport.close()
            self._transport = None

    def _try(self, act: Any) -> str:
        if self._transport is None:
            return self.outcome
        try:
            self.outcome = "auth_failed" if act(self._transport) else "connected"
        except paramiko.BadAuthenticationType:
            self.outcome = "auth_failed"
        except paramiko.AuthenticationException as error:
            self.outcome = "broken" if "timeout" in str(error).lower() else "auth_failed"
        except LOST:
            self.outcome = "broken"
        return self.outcome


def find_sources(link: str, count: int) -> list[str]:
    """Return this node's own addresses on a link. Raises: ProbeError where there are fewer than `count`."""
    done = subprocess.run(
        ["ip", "-j", "-4", "address", "show", "dev", link], capture_output=True, text=True, check=False, timeout=5
    )
    listed = json.loads(done.stdout or "[]")
    found = [str(address["local"]) for item in listed for address in item.get("addr_info", ())]
    if len(found) < count:
        raise ProbeError(f"expected {count} addresses on {link} to try from, saw {', '.join(found) or 'none'}")
    return found


def read_key(key_pem: str | None) -> paramiko.PKey | None:
    """Read a key where there is one. Raises: ValueError."""
    return load_key(key_pem) if key_pem else None
