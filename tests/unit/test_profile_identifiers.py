"""Identifiers and proposals against the standards, reference libraries and a real strongSwan."""

from __future__ import annotations

import dns.name
import pytest

from harness.profile.fields import check_identity, check_secret
from harness.profile.identifiers import (
    check_apn,
    check_host,
    check_iccid,
    check_imsi,
    check_mac,
    check_network,
    check_serial,
    has_check_digit,
)
from harness.profile.proposals import ALGORITHMS, check_proposal


@pytest.mark.parametrize(
    "name", ["m2m.example", "a", "Kiosk-1.skerry-line.example", "m2m.example.mnc001.mcc001.gprs", "a" * 61 + "x"]
)
def test_apn_that_ts_23_003_allows(name):
    assert check_apn(name) == name


@pytest.mark.parametrize(
    "name",
    [  # 3GPP TS 23.003 clause 9.1 (labels) and 9.1.1 (rac, lac, sgsn, rnc; gprs; *)
        *("", "-a", "a-", "a_b", "a..b", ".a", "a.", "*", "ä.example", "a b"),
        *("rnc1", "RAC.example", "lactose.example", "sgsn", "x.gprs", "gprs", "x.GPRS"),
        *("mnc001.mcc001.gprs", "rnc1.mnc001.mcc001.gprs"),
    ],
)
def test_apn_that_ts_23_003_forbids(name):
    with pytest.raises(ValueError, match=r"TS 23\.003"):
        check_apn(name)


def test_apn_lengths_are_those_of_the_encoding():
    """Clause 9.1: encoded as labels with length octets, without the zero at the end; dnspython encodes the same way."""
    longest = "a" * 31 + "." + "b" * 30
    assert len(dns.name.from_text(longest).to_wire()) - 1 == 63
    check_apn(longest)
    with pytest.raises(ValueError, match="at most 63 octets"):
        check_apn(longest + "b")
    full = longest + ".mnc001.mcc001.gprs"
    assert len(dns.name.from_text(full).to_wire()) - 1 == 82
    check_apn(full)


@pytest.mark.parametrize(
    ("digits", "right"),
    [
        ("79927398713", True),  # the usual worked example of the Luhn formula (from memory)
        ("79927398710", False),
        ("490154203237518", True),  # IMEI with its check digit, TS 23.003 Annex B's formula (from memory)
        ("8901001123456789015", True),  # computed by hand after ISO/IEC 7812-1 Annex B
        ("8901001123456789105", False),  # two digits changed places
    ],
)
def test_luhn(digits, right):
    assert has_check_digit(digits) is right


def test_iccid_of_19_digits_needs_its_check_digit_and_of_20_does_not():
    check_iccid("8901001123456789015")
    check_iccid("89010011234567890150")
    with pytest.raises(ValueError, match="check digit 5"):
        check_iccid("8901001123456789012")
    for wrong in ("7901001123456789015", "890100112345678901", "890100112345678901501", "890100112345678901F"):
        with pytest.raises(ValueError, match="19 or 20 digits"):
            check_iccid(wrong)


def test_imsi_is_of_a_test_network_and_at_most_15_digits():
    for good in ("001010000000001", "999700000000001", "001011"):
        check_imsi(good)
    with pytest.raises(ValueError, match="test network"):
        check_imsi("002010000000001")
    for wrong in ("0010100000000012", "00101", "00101000000000a", "٠٠١٠١٠٠٠٠٠"):
        with pytest.raises(ValueError, match="digits"):
            check_imsi(wrong)


def test_mac_is_unicast_and_nobodys():
    for good in ("02:00:5e:10:00:01", "00:00:5E:00:53:FF", "fe:ff:ff:ff:ff:fe"):
        check_mac(good)
    for wrong, why in (
        ("01:00:5e:90:10:00", "unicast"),  # RFC 7042 §2.1.2: documentation, but multicast
        ("03:00:5e:00:00:01", "unicast"),
        ("00:00:5e:00:54:00", "locally administered"),  # one above the documentation block
        ("02-00-5e-10-00-01", "colons"),
        ("02:00:5e:10:00", "six pairs"),
    ):
        with pytest.raises(ValueError, match=why):
            check_mac(wrong)


def test_serial_fits_a_certificate():
    check_serial("S" * 64)  # RFC 5280 Appendix A: ub-serial-number
    for wrong in ("S" * 65, "", "a/b", "a b", "-a", "a\n"):
        with pytest.raises(ValueError, match="RFC 5280"):
            check_serial(wrong)


def test_networks_and_hosts():
    assert check_network("10.61.1.0/26")
    for wrong in ("10.61.1.1/26", "10.61.1.0", "10.61.1.0/33", "10.61.1.0/255.255.255.192", "x"):
        with pytest.raises(ValueError, match="expected"):
            check_network(wrong)
    assert check_host("192.0.2.1")
    assert check_host("hq.skerry-line.example")
    for wrong in ("192.0.2.256", "192.0.2", "hq_.example", "a.1", "x" * 254):
        with pytest.raises(ValueError, match="expected"):
            check_host(wrong)


def test_placeholders_are_known_ones():
    assert check_identity("{site}.kiosk.example")
    with pytest.raises(ValueError, match=r"\{site\} or \{hostname\}"):
        check_identity("{sight}.kiosk.example")
    assert check_secret("file:secrets/{site}.txt")
    for wrong in ("swordfish", "file:", "env:1A", "env:", "FILE:x", "file:{sight}"):
        with pytest.raises(ValueError, match="secret") as error:
            check_secret(wrong)
        assert "swordfish" not in str(error.value)


# What proposal_create_from_string() of libstrongswan 5.9.8 (Debian 12) answered to these texts, called through ctypes.
STRONGSWAN_TAKES = {
    "ike": (
        "aes256gcm16-prfsha384-ecp256",
        "aes256-sha256-ecp256",
        "aes256-sha256-prfsha512-modp2048",
        "chacha20poly1305-prfsha256-curve25519",
        "3des-sha1-modp2048",
    ),
    "esp": ("aes256gcm16-ecp256", "aes128gcm16", "aes256-sha256-ecp256", "aes256-sha256-esn", "null-sha256"),
}
STRONGSWAN_REFUSES = {
    "ike": (
        "nonsense",
        "aes256gcm16-ecp256",  # "a PRF algorithm is mandatory in IKE proposals"
        "aes256-sha256",  # "a DH group is mandatory in IKE proposals"
        "aes256gcm16-aes256-sha256-ecp256",  # no classic and AEAD algorithms in one proposal
        "sha256-ecp256",  # "an encryption algorithm is mandatory in IKE proposals"
        "aes256-prfsha256-ecp256",  # "an integrity algorithm is mandatory ..."
    ),
    "esp": ("aes256gcm16-aes256-sha256", "sha256", "AES256-SHA256", ""),
}


@pytest.mark.parametrize("protocol", ["ike", "esp"])
def test_proposals_agree_with_strongswan(protocol):
    for proposal in STRONGSWAN_TAKES[protocol]:
        assert not [r for r in check_proposal(proposal, protocol) if r.fatal], proposal
    for proposal in STRONGSWAN_REFUSES[protocol]:
        assert [r for r in check_proposal(proposal, protocol) if r.fatal], proposal


@pytest.mark.parametrize(
    ("protocol", "proposal", "fatal", "words"),
    [  # levels: RFC 8221 §5, §6 and RFC 8247 §2.1 to §2.4
        ("esp", "des-sha256", True, "des MUST NOT be used (RFC 8221)"),
        ("esp", "aes256-md5", True, "md5 MUST NOT be used (RFC 8221)"),
        ("esp", "3des-sha256", False, "3des SHOULD NOT be used (RFC 8221)"),
        ("esp", "aes256-sha256-modp768", True, "modp768 MUST NOT be used (RFC 8247)"),
        ("ike", "aes256-sha256-modp1024s160", True, "modp1024s160 MUST NOT be used (RFC 8247)"),
        ("ike", "aes256-sha256-modp1024", False, "modp1024 SHOULD NOT be used (RFC 8247)"),
        ("ike", "aes256-sha256-prfmd5-ecp256", True, "prfmd5 MUST NOT be used (RFC 8247)"),
        ("ike", "null-sha256-ecp256", True, "null MUST NOT be used (RFC 8247)"),
        ("esp", "aes256", True, "encryption without authentication is not allowed (RFC 8221 §4)"),
        ("esp", "aes256gcm16-sha256", True, "takes no integrity algorithm (RFC 7296 §3.3)"),
        ("esp", "aes256gcm-sha256", True, "nearest: aes256gcm16"),
        ("esp", "aes256-aes128-sha256", True, "more than one encryption algorithm"),
    ],
)
def test_levels(protocol, proposal, fatal, words):
    remarks = check_proposal(proposal, protocol)
    assert [r.fatal for r in remarks if words in r.text] == [fatal]


def test_two_protocols_have_two_lists():
    """AES-GCM with a 16-octet ICV: MUST for ESP (RFC 8221 §5), SHOULD for IKEv2 (RFC 8247 §2.1)."""
    assert (ALGORITHMS["aes256gcm16"].esp, ALGORITHMS["aes256gcm16"].ike) == ("MUST", "SHOULD")
    assert (ALGORITHMS["3des"].esp, ALGORITHMS["3des"].ike) == ("SHOULD NOT", "MAY")
