"""The line between the router's loader and its runtime: one JSON request and answer a connection. Layer: router, I/O.

Requests: {"do": "status"}                     -> {slot, release, os_name, trial, boot_count, features}
          {"do": "confirm"}                    -> {}      the running release is well: a trial ends
          {"do": "install", "path": PATH}      -> {slot, release}   verify, write to the other slot, try it next boot
          {"do": "may_try", "sha256": HEX}     -> {rest_s, failures}   of an image whose trial failed: it must rest
          {"do": "reboot", "reason": TEXT}     -> {}      then the loader ends every process
          {"do": "reset_modem", "reason": TEXT} -> {}     the modem's reset line is pulled
An answer that carries `error` is a refusal; of an image, with `reason` (firmware.Reason). Not here: what the loader
decides (loader/machine.py).
"""

from __future__ import annotations

import json
import os
import socket
from pathlib import Path
from typing import Any

SOCKET = Path("/run/loader.sock")
MAX_MESSAGE_BYTES = 64 * 1024


class ControlError(RuntimeError):
    """The loader refused a request, or did not answer. `reason`: what it has against an image, where that is it."""

    def __init__(self, text: str, reason: str | None = None) -> None:
        self.reason = reason
        super().__init__(text)


def ask_loader(do: str, timeout_s: float = 600.0, **args: Any) -> dict[str, Any]:
    """Send one request to the loader and return its answer. Raises: ControlError."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        line.settimeout(timeout_s)
        try:
            line.connect(os.environ.get("BENCH_LOADER", str(SOCKET)))
            line.sendall(json.dumps({"do": do, **args}).encode() + b"\n")
            answer = json.loads(read_line(line))
        except (OSError, ValueError) as error:
            raise ControlError(f"{do}: expected the loader to answer, saw {type(error).__name__}: {error}") from error
    if not isinstance(answer, dict):
        raise ControlError(f"{do}: {answer!r}")
    if "error" in answer:
        raise ControlError(f"{do}: {answer['error']}", answer.get("reason"))
    return answer


def read_line(line: socket.socket) -> bytes:
    """Read up to and without the first LF."""
    data = b""
    while not data.endswith(b"\n"):
        chunk = line.recv(4096)
        if not chunk or len(data) > MAX_MESSAGE_BYTES:
            break
        data += chunk
    return data.rstrip(b"\n")
