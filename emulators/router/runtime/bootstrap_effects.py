"""What the bootstrap machine asks its shell to do, and what it is told in return. Layer: runtime, pure data."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Server:
    """A bootstrap server. `trust_pem`: the anchors that authenticate it; None: it is not trusted."""

    address: str
    port: int
    trust_pem: str | None

    def __str__(self) -> str:
        return f"{self.address}:{self.port}"


@dataclass(frozen=True, slots=True)
class Ask:
    """POST a RESTCONF operation. Answered by Answer or Failure."""

    server: Server
    path: str
    body: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Fetch:
    """Download an image and check its SHA-256. Answered by Fetched or Failure. `server` lends its trust for https."""

    uri: str
    sha256: bytes | None
    server: Server


@dataclass(frozen=True, slots=True)
class Install:
    """Verify the fetched image's signature and write it to the other slot. Answered by Done or Failure."""

    release: str | None


@dataclass(frozen=True, slots=True)
class Reboot:
    """Never answered where the device really reboots."""

    reason: str


@dataclass(frozen=True, slots=True)
class Apply:
    """Commit a configuration. Answered by Done (digest, within_s) or Failure."""

    document: bytes


@dataclass(frozen=True, slots=True)
class RollBack:
    reason: str


@dataclass(frozen=True, slots=True)
class Confirm:
    """Bootstrap is complete: the configuration is the last good one, and the SZTP flag is cleared (§5.1)."""

    server: Server


@dataclass(frozen=True, slots=True)
class ConfirmSlot:
    """The running release is well: its trial ends."""


@dataclass(frozen=True, slots=True)
class Sleep:
    seconds: float


@dataclass(frozen=True, slots=True)
class Now:
    """Answered by monotonic seconds."""


@dataclass(frozen=True, slots=True)
class Note:
    """Tell the console."""

    step: str
    detail: str


Effect = Ask | Fetch | Install | Reboot | Apply | RollBack | Confirm | ConfirmSlot | Sleep | Now | Note


@dataclass(frozen=True, slots=True)
class Answer:
    """An HTTP answer. `retry_after_s`: from Retry-After, either form; None without one. `etag`: the opaque tag."""

    status: int
    content_type: str
    body: bytes
    retry_after_s: float | None = None
    etag: str | None = None

    @property
    def json(self) -> Any:
        """The body as JSON; None where it is not."""
        try:
            return json.loads(self.body)
        except ValueError:
            return None

    def __str__(self) -> str:
        return f"status {self.status} {self.body[:300].decode('utf-8', 'replace')}".rstrip()


@dataclass(frozen=True, slots=True)
class Failure:
    """`kind`: resolve, connect, tls, timeout, protocol, unsupported; config; of an image also truncated, corrupted,
    space, signature, hardware, too large, given_up (its trial failed), install."""

    kind: str
    detail: str

    def __str__(self) -> str:
        return f"{self.kind}: {self.detail}"


@dataclass(frozen=True, slots=True)
class Fetched:
    bytes: int
    took_s: float
    resumes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Done:
    """`within_s`: how long management may take to be reached over an applied configuration."""

    digest: str = ""
    within_s: float = 0.0
