"""The probe ``ssh``: log in and run one command, by paramiko. Layer: stand-in, I/O.

The host key is not judged but reported: what it should be is for a check to say. Not here: TCP alone (open_tcp).
"""

from __future__ import annotations

import io
import logging
from typing import Any

import paramiko
from cryptography.hazmat.primitives import serialization

from emulators.common.probes import connect_outcome

SSH_PORT = 22  # RFC 4253 section 4.1
MAX_OUTPUT_BYTES = 64 * 1024

logging.getLogger("paramiko").addHandler(logging.NullHandler())  # refusals are results here, not log lines


def load_key(key_pem: str) -> paramiko.PKey:
    """Read a private key in PEM (PKCS #8 or traditional) or in OpenSSH's own form. Raises: ValueError."""
    data = key_pem.encode()
    opens_ssh = b"OPENSSH PRIVATE KEY" in data
    key = (
        serialization.load_ssh_private_key(data, None) if opens_ssh else serialization.load_pem_private_key(data, None)
    )
    text = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.OpenSSH, serialization.NoEncryption()
    ).decode()
    errors = []
    for cls in (paramiko.Ed25519Key, paramiko.ECDSAKey, paramiko.RSAKey):
        try:
            return cls.from_private_key(io.StringIO(text))
        except (paramiko.SSHException, ValueError, IndexError) as error:
            errors.append(f"{cls.__name__}: {error}")
    raise ValueError(f"expected an Ed25519, ECDSA or RSA private key, saw none: {'; '.join(errors)}")


def ssh(
    target: str,
    user: str,
    *,
    port: int = SSH_PORT,
    key_pem: str | None = None,
    password: str | None = None,
    command: str | None = None,
    timeout_s: float = 10.0,
) -> dict[str, Any]:
    """Log in by key or password, run `command` if given. ``outcome``: connected, auth_failed, refused, silent, broken.

    ``broken``: something answers but does not get through SSH's key exchange.
    """
    result: dict[str, Any] = {"outcome": "", "host_key": None, "output": None, "exit_status": None, "detail": None}
    outcome, detail = connect_outcome(target, port, timeout_s)
    if outcome != "open":
        return {**result, "outcome": outcome, "detail": detail}
    client = paramiko.SSHClient()
    client.set_missing_host_key_policy(_Note(result))
    try:
        client.connect(
            target,
            port,
            user,
            password=password,
            pkey=load_key(key_pem) if key_pem else None,
            timeout=timeout_s,
            banner_timeout=timeout_s,
            auth_timeout=timeout_s,
            allow_agent=False,
            look_for_keys=False,
        )
        result["outcome"] = "connected"
        if command is not None:
            result |= _run(client, command, timeout_s)
    except paramiko.AuthenticationException as error:
        result |= {"outcome": "auth_failed", "detail": f"{type(error).__name__}: {error}"}
    except (paramiko.SSHException, EOFError, OSError) as error:
        result |= {"outcome": _classify(result, error), "detail": f"{type(error).__name__}: {error}"}
    finally:
        client.close()
    return result


def _classify(result: dict[str, Any], error: Exception) -> str:
    if result["outcome"] == "connected":  # the session broke later: that it came about stays true
        return "connected"
    no_method = "No authentication methods available" in str(error)  # neither key nor password was given
    return "auth_failed" if no_method else "broken"


def _run(client: paramiko.SSHClient, command: str, timeout_s: float) -> dict[str, Any]:
    _, out, err = client.exec_command(command, timeout=timeout_s)
    output = out.read(MAX_OUTPUT_BYTES) + err.read(MAX_OUTPUT_BYTES)
    return {"output": output.decode("utf-8", "replace"), "exit_status": out.channel.recv_exit_status()}


class _Note(paramiko.MissingHostKeyPolicy):
    """Takes any host key and writes it down."""

    def __init__(self, result: dict[str, Any]) -> None:
        self._result = result

    def missing_host_key(self, client: paramiko.SSHClient, hostname: str, key: paramiko.PKey) -> None:
        self._result["host_key"] = f"{key.get_name()} {key.get_base64()}"
