"""RFC 2865 section 7.1 and RFC 2202 as vectors of the device's own RADIUS; EAPOL constants of RFC 7042 and RFC 3748."""

from __future__ import annotations

import hmac

from emulators.common import eapol
from emulators.common.radius_packet import (
    build_packet,
    build_status_request,
    find_response_authenticator,
    hide_password,
    is_answer,
)

SECRET = b"xyzzy5461"  # RFC 2865 section 7
REQUEST_AUTHENTICATOR = bytes.fromhex("0f403f9473978057bd83d5cb98f4227a")  # section 7.1
REQUEST = bytes.fromhex(
    "010000380f403f9473978057bd83d5cb98f4227a01066e656d6f02120dbe708d93d413ce3196e43f782a0aee0406c0a80110050600000003"
)
ACCEPT = bytes.fromhex("0200002686fe220e7624ba2a1005f6bf9b55e0b20606000000010f06000000000e06c0a80103")


def test_user_password_is_hidden_as_in_rfc_2865_7_1() -> None:
    hidden = hide_password(b"arctangent", SECRET, REQUEST_AUTHENTICATOR)
    assert hidden == bytes.fromhex("0dbe708d93d413ce3196e43f782a0aee")


def test_request_is_the_octets_of_rfc_2865_7_1() -> None:
    hidden = hide_password(b"arctangent", SECRET, REQUEST_AUTHENTICATOR)
    attributes = b"\x01\x06nemo\x02\x12" + hidden + bytes.fromhex("0406c0a80110050600000003")
    assert build_packet(1, 0, REQUEST_AUTHENTICATOR, attributes) == REQUEST


def test_response_authenticator_of_rfc_2865_7_1() -> None:
    assert find_response_authenticator(ACCEPT, REQUEST_AUTHENTICATOR, SECRET) == ACCEPT[4:20]
    assert is_answer(ACCEPT, REQUEST, SECRET)


def test_answers_of_others_are_no_answers() -> None:
    assert not is_answer(ACCEPT, REQUEST, b"xyzzy5462")
    assert not is_answer(ACCEPT[:-1], REQUEST, SECRET)
    assert not is_answer(bytes([3]) + ACCEPT[1:], REQUEST, SECRET)
    assert not is_answer(ACCEPT[:1] + b"\x01" + ACCEPT[2:], REQUEST, SECRET)
    assert not is_answer(b"", REQUEST, SECRET)


def test_status_server_carries_a_message_authenticator_over_the_whole_packet() -> None:
    packet = build_status_request(7, REQUEST_AUTHENTICATOR, SECRET)
    assert (packet[0], packet[1], int.from_bytes(packet[2:4], "big"), len(packet)) == (12, 7, 38, 38)
    assert packet[20:22] == bytes([80, 18])  # RFC 2869 section 5.14
    assert packet[22:] == hmac.new(SECRET, packet[:22] + bytes(16), "md5").digest()


def test_eapol_constants() -> None:
    source = bytes.fromhex("00005e005301")  # RFC 7042 section 2.1.2: documentation
    start = eapol.build_start(source)
    assert start[:6].hex() == "0180c2000003"
    assert start[12:14].hex() == "888e"  # RFC 7042 appendix B.2
    assert start[15:18] == bytes([1, 0, 0])
    request = eapol.build_identity_request(source, 9)
    assert request[15:18] == bytes([0, 0, 5])
    assert request[18:] == bytes([1, 9, 0, 5, 1])  # RFC 3748 section 4.1: Request, identifier, length, type 1 Identity
