"""RFC 9001 appendix A.2: the client's Initial, octet for octet at its beginning and its end, and its frames."""

from __future__ import annotations

import hashlib

import pytest

from emulators.common.quic_initial import CRYPTO_FRAME, NotQuicError, build_initial, open_initial

FIRST = bytes.fromhex(
    "c000000001088394c8f03e5157080000449e7b9aec34d1b1c98dd7689fb8ec11"
    "d242b123dc9bd8bab936b47d92ec356c0bab7df5976d27cd449f63300099f399"
    "1c260ec4c60d17b31f8429157bb35a1282a643a8d2262cad67500cadb8e7378c"
)
LAST = bytes.fromhex("7e78bfe706ca4cf5e9c5453e9f7cfd2b8b4c8d169a44e55c88d4a9a7f9474241e221af44860018ab0856972e194cd934")
SERVER = bytes.fromhex(  # appendix A.3: the server's Initial, which no client sends
    "cf000000010008f067a5502a4262b5004075c0d95a482cd0991cd25b0aac406a"
    "5816b6394100f37a1c69797554780bb38cc5a99f5ede4cf73c3ec2493a1839b3"
    "dbcba3f6ea46c5b7684df3548e7ddeb9c3bf9c73cc3f3bded74b562bfb19fb84"
    "022f8ef4cdd93795d77d06edbb7aaf2f58891850abbdca3d20398c276456cbc4"
    "2158407dd074ee"
)


def test_the_initial_is_the_one_that_the_rfc_prints() -> None:
    packet = build_initial()
    assert len(packet) == 1200
    assert packet.startswith(FIRST)
    assert packet.endswith(LAST)  # its last 16 octets authenticate all before


def test_it_opens_to_the_frames_that_the_rfc_prints() -> None:
    assert open_initial(build_initial()) == CRYPTO_FRAME + bytes(1162 - len(CRYPTO_FRAME))  # A.2: padded to 1162


@pytest.mark.parametrize("at", [0, 1, 8, 19, 30, 1199])
def test_a_changed_octet_does_not_open(at: int) -> None:
    packet = bytearray(build_initial())
    packet[at] ^= 1
    with pytest.raises(NotQuicError):
        open_initial(bytes(packet))


@pytest.mark.parametrize("data", [b"", b"\xc0" * 1200, SERVER + bytes(1065), hashlib.sha256(b"x").digest() * 40])
def test_other_datagrams_are_no_client_initial(data: bytes) -> None:
    with pytest.raises(NotQuicError):
        open_initial(data)
