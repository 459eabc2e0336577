"""Published figures of the cellular standards, written out: each table names its source."""

from __future__ import annotations

import hashlib

import pytest

from emulators.common import causes, gtpu, identifiers, radio, signal_report

# TS 27.007 clause 8.69 with TS 36.133 Table 9.1.4-1: RSRP_00 below -140 dBm, RSRP_97 from -44 dBm, 1 dB bins.
RSRP = [
    (-141, 0),
    (-140.1, 0),
    (-140, 1),
    (-139.5, 1),
    (-100, 41),
    (-95, 46),
    (-80, 61),
    (-44.1, 96),
    (-44, 97),
    (-30, 97),
]
# TS 27.007 clause 8.69 with TS 36.133 Table 9.1.7-1: RSRQ_00 below -19.5 dB, RSRQ_34 from -3 dB, 0.5 dB bins.
RSRQ = [(-25, 0), (-19.6, 0), (-19.5, 1), (-10.5, 19), (-10, 20), (-3.1, 33), (-3, 34), (0, 34)]
# TS 27.007 clause 8.5: 0 is -113 dBm or less, 1 is -111, 2..30 are -109..-53, 31 is -51 or more.
RSSI = [(-120, 0), (-113, 0), (-111, 1), (-109, 2), (-93, 10), (-83, 15), (-73, 20), (-53, 30), (-51, 31), (-40, 31)]


@pytest.mark.parametrize(("dbm", "index"), RSRP)
def test_rsrp_bins(dbm: float, index: int) -> None:
    assert signal_report.rsrp_index(dbm) == index


@pytest.mark.parametrize(("db", "index"), RSRQ)
def test_rsrq_bins(db: float, index: int) -> None:
    assert signal_report.rsrq_index(db) == index


@pytest.mark.parametrize(("dbm", "index"), RSSI)
def test_rssi_steps(dbm: float, index: int) -> None:
    assert signal_report.rssi_index(dbm) == index


def test_rssi_from_rsrp_and_rsrq() -> None:
    # TS 36.214 clause 5.1.3: RSRQ = N x RSRP / RSSI, here N = 50: 10 log10 50 = 16.99 dB.
    assert signal_report.rssi_dbm(-95, -10) == pytest.approx(-95 + 16.9897 + 10, abs=1e-3)


# TS 24.301 clause 9.9.3.9 and Annex A; TS 27.007 clause 9.2.2.1 (attach) gives the +CME ERROR number.
EMM_CME = {
    2: 102,
    3: 103,
    5: 105,
    6: 106,
    7: 107,
    8: 108,
    11: 111,
    12: 112,
    13: 113,
    15: 115,
    17: 117,
    19: 119,
    22: 122,
}
# TS 24.301 clause 9.9.4.4 and Annex B; TS 27.007 clause 9.2.2.2 (activation). Not all are 100 + cause.
ESM_CME = {8: 177, 26: 126, 27: 127, 28: 128, 29: 129, 30: 130, 31: 131, 32: 132, 33: 133, 34: 134, 36: 136, 49: 171}
ESM_CME |= {50: 192, 51: 193, 52: 194, 65: 178, 66: 179}


def test_cme_numbers_of_causes() -> None:
    assert {cause: causes.cme_of_emm(cause) for cause in EMM_CME} == EMM_CME
    assert {cause: causes.cme_of_esm(cause) for cause in ESM_CME} == ESM_CME
    assert causes.cme_of_esm(111) == 148  # unspecified packet domain error


def test_cme_general_numbers() -> None:
    # TS 27.007 clause 9.2.1
    published = {10: "SIM not inserted", 11: "SIM PIN required", 12: "SIM PUK required", 13: "SIM failure"}
    published |= {
        16: "incorrect password",
        30: "no network service",
        50: "incorrect parameters",
        3: "operation not allowed",
    }
    assert {n: causes.CME_TEXTS[n] for n in published} == published
    assert not {8, 9, 19, 28, 29, 33, 101} & causes.CME_TEXTS.keys()  # clause 9.2 has no such numbers


# ISO/IEC 7812-1 Annex B, TS 23.003 Annex B. The first is an IMEI of public handbooks, the third the textbook number
# of the Luhn formula; the last two are ICCIDs in ITU-T E.118 form, computed by hand.
LUHN = {
    "49015420323751": "8",
    "35000000000001": "4",
    "7992739871": "3",
    "890100112345678901": "5",
    "893200000000000000": "6",
}


def test_luhn_digits() -> None:
    assert {body: identifiers.luhn_digit(body) for body in LUHN} == LUHN
    assert all(identifiers.has_luhn(body + digit) for body, digit in LUHN.items())
    assert not identifiers.has_luhn("490154203237519")


def test_own_imei_is_well_formed() -> None:
    imei = identifiers.build_imei(1)
    assert len(imei) == 15
    assert identifiers.has_luhn(imei)


def test_iccid_coding() -> None:
    # ETSI TS 102 221 clause 13.2: BCD, low nibble first, F as filler.
    assert identifiers.encode_iccid("8901001123456789015") == "981000113254769810F5"
    assert identifiers.decode_iccid("981000113254769810F5") == "8901001123456789015"


def test_apn_coding() -> None:
    # TS 23.003 clause 9.1: a length octet before each label, no closing zero.
    assert identifiers.encode_apn("m2m.example").hex() == "036d326d076578616d706c65"


@pytest.mark.parametrize(
    "apn", ["", "-a", "a-", "a_b", "rnc1", "lactose.example", "x.gprs", "*", "a" * 64, "a." * 32 + "a"]
)
def test_apn_forms_that_the_standard_forbids(apn: str) -> None:
    with pytest.raises(ValueError, match="APN"):
        identifiers.encode_apn(apn)


def test_chap_is_md5_over_identifier_secret_challenge() -> None:
    # RFC 1994 section 4.1: the hash is over identifier, then secret, then challenge value. MD5 by hashlib.
    stream = bytes.fromhex("17") + b"pier-7" + bytes.fromhex("00112233445566778899aabbccddeeff")
    answer = radio.chap_response(0x17, "pier-7", bytes.fromhex("00112233445566778899aabbccddeeff"))
    assert answer == hashlib.md5(stream).digest()
    assert radio.chap_matches(0x17, "pier-7", stream[7:], answer)
    assert not radio.chap_matches(0x18, "pier-7", stream[7:], answer)


def test_gtpu_worked_datagrams() -> None:
    # TS 29.281 clause 5.1: 0x30 = version 1, PT 1, no E, S, PN; 0x32 with S: four optional octets, counted in.
    inner = bytes.fromhex("4500001400010000400150b964400002c6120001")
    assert gtpu.encode_header(1, len(inner)).hex() == "30ff001400000001"
    with_sequence = gtpu.encode(gtpu.Message(gtpu.G_PDU, 0x12345678, inner, 1))
    assert with_sequence[:12].hex() == "32ff00181234567800010000"
    assert gtpu.encode(gtpu.Message(gtpu.ECHO_REQUEST, 0, b"", 1)).hex() == "320100040000000000010000"
