"""How large a packet may be to cross an ESP tunnel whole. Layer: core, pure arithmetic.

RFC 4303 section 2: on the wire a packet is outer header, SPI and sequence number, the IV, the inner packet, padding,
pad length and next header, and the ICV. RFC 3948 section 2.1 puts a UDP header before it where there is a NAT. Padding
brings inner packet and trailer to a multiple of the cipher's block, of 4 octets at least (RFC 4303 section 2.4), so one
octet more inside can cost a whole block outside.

The judge has its own arithmetic on purpose: the router's is the subject. Not here: what was negotiated (proposals.py).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

IPV4_HEADER_BYTES = 20  # RFC 791 section 3.1, no options
IPV6_HEADER_BYTES = 40  # RFC 8200 section 3
UDP_HEADER_BYTES = 8  # RFC 3948 section 2.1
SPI_AND_SEQUENCE_BYTES = 8  # RFC 4303 section 2
PAD_LENGTH_AND_NEXT_HEADER_BYTES = 2  # RFC 4303 section 2
TCP_HEADER_BYTES = 20  # RFC 9293 section 3.1, no options
ETHERNET_MTU_BYTES = 1500  # RFC 894
USERSPACE_INNER_BYTES = 1400  # what strongSwan 5.9 carries with its user-space ESP (measured: 1401 is cut)

_HMAC_ICV_BYTES = {"sha1": 12, "sha256": 16, "sha384": 24, "sha512": 32}  # RFC 2404; RFC 4868 section 2.3


@dataclass(frozen=True, slots=True)
class Suite:
    """What of an ESP suite decides sizes."""

    iv_bytes: int
    icv_bytes: int
    align_bytes: int


class SuiteError(ValueError):
    """An ESP suite whose sizes are not known."""


def parse_suite(encryption: str, integrity: str | None) -> Suite:
    """Return the sizes of a suite in canonical words (proposals.py): ``aes256gcm16``, ``aes128`` with ``sha256``.

    Raises: SuiteError.
    """
    if match := re.fullmatch(r"aes\d+gcm(8|12|16)", encryption):
        return Suite(8, int(match[1]), 4)  # RFC 4106 sections 3.1 and 6
    if match := re.fullmatch(r"aes\d+ccm(8|12|16)", encryption):
        return Suite(8, int(match[1]), 4)  # RFC 4309 sections 3.1 and 6
    if encryption == "chacha20poly1305":
        return Suite(8, 16, 4)  # RFC 7634 section 2
    if re.fullmatch(r"aes\d+", encryption) and integrity in _HMAC_ICV_BYTES:
        return Suite(16, _HMAC_ICV_BYTES[integrity], 16)  # RFC 3602 section 2.4
    raise SuiteError(f"expected an AEAD or AES-CBC with HMAC, saw {encryption!r} with {integrity!r}")


def find_outer_bytes(
    inner_bytes: int, suite: Suite, *, in_udp: bool, outer_header_bytes: int = IPV4_HEADER_BYTES
) -> int:
    """Return the size on the wire of the packet that carries an inner packet of `inner_bytes`."""
    body = inner_bytes + PAD_LENGTH_AND_NEXT_HEADER_BYTES
    return _fixed_bytes(suite, in_udp, outer_header_bytes) + body + -body % suite.align_bytes


def find_largest_inner_bytes(
    mtu_bytes: int, suite: Suite, *, in_udp: bool, outer_header_bytes: int = IPV4_HEADER_BYTES
) -> int:
    """Return the size of the largest inner packet whose outer packet fits an MTU without fragmentation."""
    room = mtu_bytes - _fixed_bytes(suite, in_udp, outer_header_bytes)
    return room // suite.align_bytes * suite.align_bytes - PAD_LENGTH_AND_NEXT_HEADER_BYTES


def find_largest_segment_bytes(inner_bytes: int) -> int:
    """Return TCP's maximum segment size over IPv4 for packets of that size (RFC 6691 section 2)."""
    return inner_bytes - IPV4_HEADER_BYTES - TCP_HEADER_BYTES


def _fixed_bytes(suite: Suite, in_udp: bool, outer_header_bytes: int) -> int:
    udp = UDP_HEADER_BYTES if in_udp else 0
    return outer_header_bytes + udp + SPI_AND_SEQUENCE_BYTES + suite.iv_bytes + suite.icv_bytes
