"""Bodies with a harmless published test pattern in them, and their clean twins. Layer: shared by stand-ins, pure.

test-file     the anti-malware test file as eicar.org publishes it: 68 octets, harmless by design
root-answer   what id(1) answers to root; common practice in published rule sets, no source

A clean body has the same size and all but one octet the same. The test file is written in two halves here, so that no
scanner takes this module for it. The device has a set of its own: neither is made from the other.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

PATTERNS: Mapping[str, bytes] = {
    "test-file": rb"X5O!P%@AP[4\PZX54(P^)7CC)7}" + rb"$EICAR-STANDARD-ANTIVIRUS-TEST-FILE!$H+H*",
    "root-answer": b"uid=0(root) gid=0(root)",
}
AROUND = b"branchproof test body " * 8


def build_body(signature: str, clean: bool) -> bytes:
    """Return the body for a signature. Raises: KeyError for one without octets of its own."""
    pattern = PATTERNS[signature]
    if clean:
        middle = len(pattern) // 2
        pattern = pattern[:middle] + bytes([pattern[middle] ^ 1]) + pattern[middle + 1 :]
    return AROUND + pattern + AROUND


def digest_body(body: bytes) -> str:
    """Return the SHA-256 of a body, hex."""
    return hashlib.sha256(body).hexdigest()
