"""The device's signatures against what is published of them.

eicar.org, "The Anti-Malware Testfile": 68 octets, and the digests that anti-malware vendors list for it (SHA-256
275a021b..., MD5 44d88612...; the digests from memory). Here, as everywhere, the text itself stands in no file whole.
"""

from __future__ import annotations

import hashlib

import pytest

from emulators.common.threat_bodies import PATTERNS as BODIES
from emulators.common.threat_bodies import build_body
from emulators.router.runtime.apply.inspection.signatures import PATTERNS, Patterns

SHA256 = "275a021bbfb6489e54d471899f7db9d1663fc695ec2fe2a2c4538aabf651fd0f"
MD5 = "44d88612fea8a8f36de82e1278abb02f"


@pytest.mark.parametrize("pattern", [PATTERNS["test-file"], BODIES["test-file"]], ids=["device", "probe"])
def test_the_test_file_is_the_published_one(pattern: bytes) -> None:
    assert len(pattern) == 68
    assert hashlib.sha256(pattern).hexdigest() == SHA256
    assert hashlib.md5(pattern, usedforsecurity=False).hexdigest() == MD5


def test_the_root_answer_is_what_id_prints() -> None:
    assert PATTERNS["root-answer"] == BODIES["root-answer"] == b"uid=0(root) gid=0(root)"


@pytest.mark.parametrize("signature", sorted(PATTERNS))
def test_a_body_is_found_and_its_clean_twin_is_not(signature: str) -> None:
    dirty, clean = build_body(signature, clean=False), build_body(signature, clean=True)
    assert len(dirty) == len(clean)
    assert sum(a != b for a, b in zip(dirty, clean, strict=True)) == 1
    assert Patterns(PATTERNS).find(dirty) == signature
    assert Patterns(PATTERNS).find(clean) is None
