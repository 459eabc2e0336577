"""Proposals in both spellings.

Names of transforms: IANA, "Internet Key Exchange Version 2 (IKEv2) Parameters"; keywords and log form: strongSwan's
documentation of cipher suites (from memory).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.proposals import is_among_esp, is_among_ike, parse_esp, parse_ike, parse_proposal


@pytest.mark.parametrize(
    ("reported", "keyword"),
    [
        ("IKE:AES_GCM_16_256/PRF_HMAC_SHA2_384/ECP_256", "aes256gcm16-prfsha384-ecp256"),
        ("AES_GCM_16-256/PRF_HMAC_SHA2_384/ECP_256", "aes256gcm16-prfsha384-ecp256"),
        ("AES_CBC_256/HMAC_SHA2_256_128/PRF_HMAC_SHA2_256/MODP_2048", "aes256-sha256-modp2048"),
        ("AES_CBC-128/HMAC_SHA2_512_256/PRF_HMAC_SHA2_512/ECP_384", "aes128-sha512-ecp384"),
        ("AES_CBC_128/HMAC_SHA1_96/PRF_HMAC_SHA1/MODP_2048", "aes-sha1-modp2048"),
        ("CHACHA20_POLY1305/PRF_HMAC_SHA2_256/CURVE_25519", "chacha20poly1305-prfsha256-x25519"),
        ("aes256gcm16-prfsha384-ecp256", "aes256gcm128-prfsha384-ecp256"),
        ("AES256GCM16-PRFSHA384-ECP256", "aes256gcm16-prfsha384-ecp256"),
    ],
)
def test_one_ike_proposal_in_two_spellings(reported: str, keyword: str) -> None:
    assert parse_ike(reported) == parse_ike(keyword)
    assert parse_ike(reported).others == ()


@pytest.mark.parametrize(
    ("reported", "keyword"),
    [
        ("ESP:AES_GCM_16_256/NO_EXT_SEQ", "aes256gcm16-ecp256"),
        ("AES_GCM_16-256", "aes256gcm16"),
        ("AES_CBC_128/HMAC_SHA2_256_128/NO_EXT_SEQ", "aes128-sha256-modp2048-noesn"),
        ("aes256-sha2_256", "aes256-sha256"),
    ],
)
def test_one_esp_proposal_in_two_spellings(reported: str, keyword: str) -> None:
    assert parse_esp(reported) == parse_esp(keyword)
    assert is_among_esp(reported, ["aes192-sha1", keyword])


@pytest.mark.parametrize(
    "other",
    [
        "aes128gcm16-prfsha384-ecp256",
        "aes256gcm8-prfsha384-ecp256",
        "aes256-prfsha384-ecp256",
        "aes256gcm16-prfsha256-ecp256",
        "aes256gcm16-prfsha384-ecp384",
        "aes256gcm16-prfsha384",
        "aes256gcm16-prfsha384-ecp256-ke1_mlkem768",
        "",
    ],
)
def test_another_proposal_is_not_taken_for_it(other: str) -> None:
    assert not is_among_ike(other, ["aes256gcm16-prfsha384-ecp256"])


@given(st.text(max_size=60))
def test_any_text_is_read(text: str) -> None:
    assert parse_proposal(str(parse_proposal(text))) is not None
