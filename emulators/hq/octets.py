"""The bytes that headquarters' web server hands out: known to all, so that a client's digest can be checked. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

BLOCK_BYTES = 64 * 1024
BLOCK = hashlib.shake_128(b"branchproof").digest(BLOCK_BYTES)
"""SHAKE128 (FIPS 202) of the bench's name: no two stretches alike, so nothing on the way can compress or swap them."""
LARGEST_BYTES = 1 << 32


def split_octets(count: int) -> Iterator[bytes]:
    """Yield `count` bytes: BLOCK over and over, the last one cut."""
    for _ in range(count // BLOCK_BYTES):
        yield BLOCK
    if count % BLOCK_BYTES:
        yield BLOCK[: count % BLOCK_BYTES]


def digest_octets(count: int) -> str:
    """Return the SHA-256 of those bytes as lower-case hex."""
    digest = hashlib.sha256()
    for block in split_octets(count):
        digest.update(block)
    return digest.hexdigest()
