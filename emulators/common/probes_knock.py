"""The probe ``knock``: log-ins by SSH that are bound to fail, one a connection. Layer: stand-in, I/O (paramiko).

For each name one attempt with a password that nobody has or, where the device takes no passwords, with such a key: it
must refuse, and its log must say so. Not here: log-ins that are meant to work (probes_ssh.py).
"""

from __future__ import annotations

import secrets
import socket
from typing import Any

import paramiko

from emulators.common.probes_ssh import SSH_PORT

MOST_NAMES = 20


def knock(target: str, users: list[str], *, port: int = SSH_PORT, timeout_s: float = 5.0) -> dict[str, Any]:
    """Try each name once. ``outcomes``: refused (as it must be), connected, or what went wrong."""
    if len(users) > MOST_NAMES:
        raise ValueError(f"users: expected at most {MOST_NAMES}, saw {len(users)}")
    return {"outcomes": [_try(target, port, user, timeout_s) for user in users]}


def _try(target: str, port: int, user: str, timeout_s: float) -> str:
    try:
        line = socket.create_connection((target, port), timeout_s)
    except OSError as error:
        return f"{type(error).__name__}: {error}"
    transport = paramiko.Transport(line)
    try:
        transport.start_client(timeout=timeout_s)
        transport.auth_timeout = timeout_s
        _authenticate(transport, user)
    except paramiko.AuthenticationException:
        return "refused"
    except (paramiko.SSHException, EOFError, OSError) as error:
        return f"{type(error).__name__}: {error}"
    finally:
        transport.close()
    return "connected"


def _authenticate(transport: paramiko.Transport, user: str) -> None:
    try:
        transport.auth_password(user, secrets.token_hex(8), fallback=False)
    except paramiko.BadAuthenticationType as error:
        if "publickey" not in error.allowed_types:
            raise
        transport.auth_publickey(user, paramiko.ECDSAKey.generate())
