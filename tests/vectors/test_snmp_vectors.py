"""Keys of SNMPv3 users, as the probe's library makes them, against the published examples of RFC 3414."""

from __future__ import annotations

import hashlib

import pytest
from pyasn1.type.univ import OctetString
from pysnmp.proto.secmod.rfc3414 import localkey

ENGINE = OctetString(hexValue="000000000000000000000002")
PASSWORD = b"maplesyrup"
PUBLISHED = {
    # RFC 3414 A.3.1 and A.3.2: digest of the password, key localised to the engine
    "md5": ("9faf3283884e92834ebc9847d8edd963", "526f5eed9fcce26f8964c2930787d82b"),
    "sha1": ("9fb5cc0381497b3793528939ff788d5d79145211", "6695febc9288e36282235fc7151f128497b38f3f"),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_keys_are_those_of_the_rfc(name):
    hashing = getattr(hashlib, name)
    digest, key = (bytes.fromhex(text) for text in PUBLISHED[name])
    made = localkey.hash_passphrase(PASSWORD, hashing)
    assert bytes(made) == digest
    assert bytes(localkey.localize_key(made, ENGINE, hashing)) == key


@pytest.mark.parametrize("name", ["sha256", "sha512"])
def test_keys_of_the_newer_hashes_come_by_the_same_algorithm(name):
    """RFC 7860 section 4.1 keeps RFC 3414's algorithm and publishes no example: here it is written out (A.2.2)."""
    hashing = getattr(hashlib, name)
    whole = (PASSWORD * (1_048_576 // len(PASSWORD) + 1))[:1_048_576]
    digest = hashing(whole).digest()
    made = localkey.hash_passphrase(PASSWORD, hashing)
    assert bytes(made) == digest
    assert bytes(localkey.localize_key(made, ENGINE, hashing)) == hashing(digest + bytes(ENGINE) + digest).digest()


def test_repeated_passwords_collide():
    """RFC 3414 section 11.2 warns of it: a password that is another one repeated has the same key."""
    short, long = (localkey.hash_passphrase(text, hashlib.sha1) for text in (b"bertbert", b"bertbertbert"))
    assert short == long
