"""Time-based one-time passwords (RFC 6238 over RFC 4226), as an authenticator shows and a sign-in checks them.

Layer: shared, pure: time is an argument. Not here: which codes were used before (who checks them keeps count).
"""

from __future__ import annotations

import hashlib
import hmac
from typing import Literal

STEP_S = 30  # RFC 6238 section 4.1: X = 30, T0 = 0
DIGITS = 6  # RFC 4226 section 5.3: at least six


def find_step(now_s: float) -> int:
    """Return the time step of an instant, seconds since 1970."""
    return int(now_s) // STEP_S


def make_code(
    secret: bytes, step: int, digits: int = DIGITS, digest: Literal["sha1", "sha256", "sha512"] = "sha1"
) -> str:
    """Return the code of a time step (RFC 4226 section 5.3: dynamic truncation)."""
    mac = hmac.new(secret, step.to_bytes(8, "big"), getattr(hashlib, digest)).digest()
    offset = mac[-1] & 0xF
    number = int.from_bytes(mac[offset : offset + 4], "big") & 0x7FFFFFFF
    return f"{number % 10**digits:0{digits}d}"
