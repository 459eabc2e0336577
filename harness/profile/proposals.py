"""IKEv2 and ESP proposals in strongSwan's keywords, and what the standards say of each algorithm. Layer: profile, pure.

Levels are those of RFC 8221 §5, §6 (ESP) and RFC 8247 §2.1 to §2.4 (IKEv2); an algorithm that neither names is MAY.
They differ: AES-GCM is MUST for ESP and SHOULD for IKEv2 itself. MUST NOT is an error, SHOULD NOT a warning. The
keywords are the subset that this bench supports of strongSwan's own table (libstrongswan, proposal keywords).

How a proposal must be made up: RFC 7296 §3.3; strongSwan 5.9's own rule that a proposal does not mix AEAD and others.
One algorithm of each kind is this project's rule: then what was agreed shows which of the profile's proposals it was.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import Literal

Kind = Literal["cipher", "aead", "integrity", "prf", "group", "esn"]
Protocol = Literal["ike", "esp"]
Level = Literal["MUST", "SHOULD", "MAY", "SHOULD NOT", "MUST NOT"]

_NAMES: dict[Kind, str] = {
    "cipher": "encryption algorithm",
    "aead": "encryption algorithm",
    "integrity": "integrity algorithm",
    "prf": "pseudo-random function",
    "group": "Diffie-Hellman group",
    "esn": "word on sequence numbers",
}


@dataclass(frozen=True, slots=True)
class Algorithm:
    """One keyword. `ike` and `esp` are levels; None means that the protocol has no such transform."""

    kind: Kind
    ike: Level | None
    esp: Level | None


def _table() -> dict[str, Algorithm]:
    found: dict[str, Algorithm] = {}

    def add(keywords: str, kind: Kind, ike: Level | None, esp: Level | None) -> None:
        found.update({keyword: Algorithm(kind, ike, esp) for keyword in keywords.split()})

    # RFC 8221 §5 and RFC 8247 §2.1; 192-bit AES stays MAY in both
    add("aes128 aes256", "cipher", "MUST", "MUST")
    add("aes192", "cipher", "MAY", "MAY")
    add("aes128gcm16 aes256gcm16", "aead", "SHOULD", "MUST")
    add("aes192gcm16", "aead", "MAY", "MAY")
    add("chacha20poly1305", "aead", "SHOULD", "SHOULD")
    add("3des", "cipher", "MAY", "SHOULD NOT")
    add("des blowfish128 blowfish192 blowfish256", "cipher", "MUST NOT", "MUST NOT")
    # NULL is MUST for ESP (RFC 8221 §5), but hides nothing; a branch on a public network has no use for it
    add("null", "cipher", "MUST NOT", "SHOULD NOT")
    # RFC 8221 §6 and RFC 8247 §2.3; SHA-1 is MUST- in both
    add("sha256", "integrity", "MUST", "MUST")
    add("sha512", "integrity", "SHOULD", "SHOULD")
    add("sha384", "integrity", "MAY", "MAY")
    add("sha1", "integrity", "MUST", "MUST")
    add("md5", "integrity", "MUST NOT", "MUST NOT")
    # RFC 8247 §2.2
    add("prfsha256", "prf", "MUST", None)
    add("prfsha512", "prf", "SHOULD", None)
    add("prfsha384", "prf", "MAY", None)
    add("prfsha1", "prf", "MUST", None)
    add("prfmd5", "prf", "MUST NOT", None)
    # RFC 8247 §2.4: groups 14, 19; then 15 to 18, 20, 21, and 31 (RFC 8031), unlisted; 2, 5, 23, 24; 1, 22
    add("modp2048", "group", "MUST", "MUST")
    add("ecp256", "group", "SHOULD", "SHOULD")
    add("modp3072 modp4096 modp6144 modp8192 ecp384 ecp521 curve25519 x25519", "group", "MAY", "MAY")
    add("modp1024 modp1536 modp2048s224 modp2048s256", "group", "SHOULD NOT", "SHOULD NOT")
    add("modp768 modp1024s160", "group", "MUST NOT", "MUST NOT")
    add("esn noesn", "esn", None, "MAY")  # RFC 4303 §2.2.1
    return found


ALGORITHMS = _table()


@dataclass(frozen=True, slots=True)
class Remark:
    """What is wrong with a proposal. `fatal`: an error, else a warning."""

    fatal: bool
    text: str


def check_proposal(proposal: str, protocol: Protocol) -> tuple[Remark, ...]:
    """Return everything that is wrong with a proposal."""
    known: list[Algorithm] = []
    remarks: list[Remark] = []
    for keyword in proposal.split("-"):
        algorithm = ALGORITHMS.get(keyword)
        level = algorithm and (algorithm.ike if protocol == "ike" else algorithm.esp)
        if algorithm is None:
            remarks.append(Remark(True, f"unknown keyword {keyword!r}{_nearest(keyword)}"))
            continue
        known.append(algorithm)
        rfc = "RFC 8221" if protocol == "esp" and algorithm.kind != "group" else "RFC 8247"
        if level is None:
            remarks.append(Remark(True, f"{keyword} has no place in an {protocol.upper()} proposal"))
        elif keyword == "null" and protocol == "esp":
            remarks.append(Remark(False, "null does not encrypt: everyone on the way reads the traffic"))
        elif level in ("MUST NOT", "SHOULD NOT"):
            remarks.append(Remark(level == "MUST NOT", f"{keyword} {level} be used ({rfc})"))
    if not any(remark.fatal for remark in remarks):
        kinds = [algorithm.kind for algorithm in known]
        remarks += [Remark(True, text) for text in _find_gaps(set(kinds), protocol)]
        twice = sorted({kind for kind in kinds if kinds.count(kind) > 1})
        remarks += [Remark(True, f"more than one {_NAMES[kind]}; write one proposal for each") for kind in twice]
    return tuple(remarks)


def _find_gaps(kinds: set[Kind], protocol: Protocol) -> list[str]:
    gaps = []
    if not kinds & {"cipher", "aead"}:
        gaps.append("expected an encryption algorithm, such as aes256gcm16 or aes256")
    if kinds >= {"cipher", "aead"}:
        gaps.append("a proposal must not mix AEAD and other ciphers; write two proposals")
    elif "aead" in kinds and "integrity" in kinds:
        instead = "name the PRF instead, such as prfsha256" if protocol == "ike" else "leave it out"
        gaps.append(f"an AEAD cipher takes no integrity algorithm (RFC 7296 §3.3); {instead}")
    elif "cipher" in kinds and "integrity" not in kinds:
        gaps.append("encryption without authentication is not allowed (RFC 8221 §4); add sha256")
    if protocol == "ike" and "group" not in kinds:
        gaps.append("expected a Diffie-Hellman group (RFC 7296 §3.3.3), such as ecp256")
    if protocol == "ike" and "aead" in kinds and not kinds & {"prf", "integrity"}:
        gaps.append("an AEAD cipher needs a pseudo-random function named, such as prfsha256")
    return gaps


def _nearest(keyword: str) -> str:
    near = difflib.get_close_matches(keyword, ALGORITHMS, n=1)
    return f"; nearest: {near[0]}" if near else f"; known are {', '.join(ALGORITHMS)}"
