"""Cipher proposals in one spelling. Layer: core, pure.

A profile writes them as strongSwan's keywords (``aes256gcm16-prfsha384-ecp256``), a gateway may report them as it logs
them (``AES_GCM_16-256/PRF_HMAC_SHA2_384/ECP_256``, ``IKE:AES_CBC_256/HMAC_SHA2_256_128/...``: transform names of
the IANA registry "IKEv2 Parameters"). Both are read; a word not known stays as it is, and so is never equal by luck.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

_NOT_COMPARED = {"noesn", "esn", "noextseq", "extseq"}  # extended sequence numbers: not part of a profile

_RULES: tuple[tuple[str, str], ...] = (
    (r"aes(?:gcm)(8|12|16)(128|192|256)", r"aes\2gcm\1"),
    (r"aes(?:ccm)(8|12|16)(128|192|256)", r"aes\2ccm\1"),
    (r"aes(128|192|256)(gcm|ccm)(8|12|16)", r"aes\1\2\3"),
    (r"aes(128|192|256)(gcm|ccm)64", r"aes\1\g<2>8"),
    (r"aes(128|192|256)(gcm|ccm)96", r"aes\1\g<2>12"),
    (r"aes(128|192|256)(gcm|ccm)128", r"aes\1\g<2>16"),
    (r"aescbc(128|192|256)", r"aes\1"),
    (r"aes", "aes128"),
    (r"chacha20poly1305(?:256)?", "chacha20poly1305"),
    (r"prf(?:hmac)?sha2(256|384|512)", r"prfsha\1"),
    (r"prf(?:hmac)?sha(256|384|512)", r"prfsha\1"),
    (r"prf(?:hmac)?sha1", "prfsha1"),
    (r"(?:auth)?hmacsha2(256128|384192|512256)", r"\1"),
    (r"sha2(256|384|512)", r"sha\1"),
    (r"(?:auth)?hmacsha196|sha", "sha1"),
    (r"x25519|curve25519", "curve25519"),
    (r"ecp(\d+)", r"ecp\1"),
    (r"modp(\d+)", r"modp\1"),
)
_TRUNCATED = {"256128": "sha256", "384192": "sha384", "512256": "sha512"}  # RFC 4868 section 2.3: hash, tag length


@dataclass(frozen=True, slots=True)
class Proposal:
    """One proposal. `integrity` None: the cipher has its own (AEAD). `others`: words of no known place."""

    encryption: str
    integrity: str | None
    prf: str | None
    group: str | None
    others: tuple[str, ...] = ()

    def __str__(self) -> str:
        words = (self.encryption, self.integrity, self.prf, self.group, *self.others)
        return "-".join(w for w in words if w)


def parse_proposal(text: str) -> Proposal:
    """Read a proposal in either spelling. Never raises: what is not known is kept in `others`."""
    words = [w for w in map(_canonical, _split(text)) if w and w not in _NOT_COMPARED]
    encryption = next((w for w in words if re.match(r"aes|chacha20|3des|null", w)), "")
    integrity = next((w for w in words if re.fullmatch(r"sha(1|256|384|512)", w)), None)
    prf = next((w for w in words if w.startswith("prf")), None)
    group = next((w for w in words if re.match(r"ecp|modp|curve", w)), None)
    placed = {encryption, integrity, prf, group}
    return Proposal(encryption, integrity, prf, group, tuple(w for w in words if w not in placed))


def parse_ike(text: str) -> Proposal:
    """Read an IKE proposal. Without a PRF of its own, the integrity algorithm's hash is the PRF (strongSwan's rule)."""
    read = parse_proposal(text)
    if read.prf is None and read.integrity is not None:
        return Proposal(read.encryption, read.integrity, f"prf{read.integrity}", read.group, read.others)
    return read


def parse_esp(text: str) -> Proposal:
    """Read an ESP proposal without its key exchange group: the first child takes its key from the IKE SA, so a group in
    the profile shows only when it is rekeyed (RFC 7296 section 1.3.1 and 2.17)."""
    read = parse_proposal(text)
    return Proposal(read.encryption, read.integrity, None, None, read.others)


def is_among_ike(text: str, offered: Iterable[str]) -> bool:
    """Say whether a reported IKE proposal is one of those offered."""
    return parse_ike(text) in {parse_ike(o) for o in offered}


def is_among_esp(text: str, offered: Iterable[str]) -> bool:
    """Say whether a reported ESP proposal is one of those offered."""
    return parse_esp(text) in {parse_esp(o) for o in offered}


def _split(text: str) -> list[str]:
    body = re.sub(r"^\s*(ike|esp|ah)\s*:\s*", "", text.lower())
    if "/" in body:
        return [part.strip() for part in body.split("/")]
    return [part.strip() for part in re.split(r"-(?!\d+(?:-|$))", body)]  # not before a key length: AES_GCM_16-256


def _canonical(word: str) -> str:
    bare = re.sub(r"[\s_-]", "", word).removeprefix("encr")
    for pattern, replacement in _RULES:
        match = re.fullmatch(pattern, bare)
        if match:
            made = match.expand(replacement)
            return _TRUNCATED.get(made, made)
    return bare
