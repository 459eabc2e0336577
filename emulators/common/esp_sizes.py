"""How large an IPv4 packet may be to cross an ESP tunnel whole. Layer: shared by stand-ins, pure arithmetic.

RFC 4303 2: a packet on the wire is the outer header, SPI and sequence number (8), IV, the inner packet, padding,
pad length and next header (2), ICV. RFC 3948 2.1 puts 8 octets of UDP before it. The padding brings inner packet plus 2
to a multiple of the cipher's block, and of 4 at least (RFC 4303 2.4), so one octet more inside can cost a whole block.

Not here: who negotiates a suite (vici_client.py), who sets an MTU.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

IPV4_HEADER_BYTES = 20  # RFC 791 3.1, no options
TCP_HEADER_BYTES = 20  # RFC 9293 3.1, no options
UDP_ENCAPSULATION_BYTES = 8  # RFC 3948 2.1
ESP_HEADER_BYTES = 8  # RFC 4303 2: SPI 4, sequence number 4
ESP_TRAILER_BYTES = 2  # RFC 4303 2: pad length 1, next header 1
AEAD_IV_BYTES = 8  # RFC 4106 3.1 (GCM), RFC 7634 2 (ChaCha20-Poly1305)
CBC_IV_BYTES = 16  # RFC 3602 2.1
CBC_BLOCK_BYTES = 16  # RFC 3602 2.4
LEAST_ALIGNMENT_BYTES = 4  # RFC 4303 2.4

ICV_BYTES = {"sha1": 12, "sha256": 16, "sha384": 24, "sha512": 32}
"""RFC 2404 (HMAC-SHA-1-96) and RFC 4868 2.3: half of the hash's output."""

_GCM = re.compile(r"aes(128|192|256)gcm(8|12|16|64|96|128)")
_CBC = re.compile(r"aes(128|192|256)")


class SuiteError(ValueError):
    """An ESP proposal is not one whose sizes are known."""


@dataclass(frozen=True, slots=True)
class Suite:
    """What of an ESP suite decides sizes: octets of IV and ICV, and the alignment of inner packet plus trailer."""

    iv_bytes: int
    icv_bytes: int
    alignment_bytes: int


def parse_suite(proposal: str) -> Suite:
    """Read an ESP proposal in keyword form (``aes256gcm16-ecp256``, ``aes256-sha256``). Raises: SuiteError."""
    words = proposal.lower().split("-")
    if match := _GCM.fullmatch(words[0]):
        icv = int(match[2])
        return Suite(AEAD_IV_BYTES, icv if icv <= 16 else icv // 8, LEAST_ALIGNMENT_BYTES)
    if words[0] == "chacha20poly1305":
        return Suite(AEAD_IV_BYTES, 16, LEAST_ALIGNMENT_BYTES)
    if _CBC.fullmatch(words[0]) and len(words) > 1 and words[1] in ICV_BYTES:
        return Suite(CBC_IV_BYTES, ICV_BYTES[words[1]], CBC_BLOCK_BYTES)
    raise SuiteError(
        f"ESP proposal {proposal!r}: expected aesNNNgcm16, chacha20poly1305 or aesNNN with one of "
        f"{', '.join(ICV_BYTES)} (RFC 8221 allows no encryption without integrity)"
    )


def outer_size(inner_bytes: int, suite: Suite, *, in_udp: bool) -> int:
    """Return the size on the wire of the IPv4 packet that carries an inner packet of `inner_bytes`."""
    padded = inner_bytes + ESP_TRAILER_BYTES
    padded += -padded % suite.alignment_bytes
    return _fixed_bytes(suite, in_udp) + padded


def largest_inner(mtu_bytes: int, suite: Suite, *, in_udp: bool) -> int:
    """Return the size of the largest inner packet whose outer one fits `mtu_bytes` unfragmented."""
    room = mtu_bytes - _fixed_bytes(suite, in_udp)
    return room // suite.alignment_bytes * suite.alignment_bytes - ESP_TRAILER_BYTES


def largest_segment(inner_bytes: int) -> int:
    """Return the TCP maximum segment size over IPv4 for packets of `inner_bytes` (RFC 6691 2: no options counted)."""
    return inner_bytes - IPV4_HEADER_BYTES - TCP_HEADER_BYTES


def _fixed_bytes(suite: Suite, in_udp: bool) -> int:
    udp = UDP_ENCAPSULATION_BYTES if in_udp else 0
    return IPV4_HEADER_BYTES + udp + ESP_HEADER_BYTES + suite.iv_bytes + suite.icv_bytes
