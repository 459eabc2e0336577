"""One-time passwords against the published values: RFC 6238 Appendix B, RFC 4226 Appendix D."""

from __future__ import annotations

from typing import Any

import pytest

from emulators.common.totp import find_step, make_code

DIGITS = b"12345678901234567890"
SECRETS = {"sha1": DIGITS, "sha256": (DIGITS * 2)[:32], "sha512": (DIGITS * 4)[:64]}
"""RFC 6238 Appendix B names one secret of 20 octets; its SHA-256 and SHA-512 rows come out with it repeated to the size
of the digest (erratum 2866)."""
RFC_6238_B = [  # time, code by SHA-1, SHA-256, SHA-512
    (59, "94287082", "46119246", "90693936"),
    (1111111109, "07081804", "68084774", "25091201"),
    (1111111111, "14050471", "67062674", "99943326"),
    (1234567890, "89005924", "91819424", "93441116"),
    (2000000000, "69279037", "90698825", "38618901"),
    (20000000000, "65353130", "77737706", "47863826"),
]
RFC_4226_D = ["755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489"]


@pytest.mark.parametrize(("at_s", "sha1", "sha256", "sha512"), RFC_6238_B)
def test_rfc_6238_appendix_b(at_s: int, sha1: str, sha256: str, sha512: str) -> None:
    expected: dict[Any, str] = {"sha1": sha1, "sha256": sha256, "sha512": sha512}
    assert {d: make_code(SECRETS[d], find_step(at_s), 8, d) for d in expected} == expected


def test_rfc_4226_appendix_d() -> None:
    assert [make_code(DIGITS, count) for count in range(10)] == RFC_4226_D
