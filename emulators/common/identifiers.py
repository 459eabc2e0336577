"""Numbers and names that cards, modems and networks go by: check digits, coding, form. Layer: shared, pure.

Not here: any real identifier. The bench's own use the test network 001-01 and a type allocation code of zeros and ones.
"""

from __future__ import annotations

import re

# TS 23.003 clause 6.2.1: TAC (8) + SNR (6) + check digit. 00 is the reporting body of test equipment (GSMA TS.06; from
# memory); the rest is this bench's own.
TEST_TAC = "00101000"

_LABEL = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?\Z", re.IGNORECASE)
_FORBIDDEN_STARTS = ("rac", "lac", "sgsn", "rnc")  # TS 23.003 clause 9.1.1


def luhn_digit(digits: str) -> str:
    """Return the Luhn check digit for `digits` (ISO/IEC 7812-1 Annex B; TS 23.003 Annex B uses it for the IMEI)."""
    if not digits.isascii() or not digits.isdigit():
        raise ValueError(f"expected decimal digits, saw {digits!r}")
    total = 0
    for place, digit in enumerate(reversed(digits)):
        value = int(digit) * (2 if place % 2 == 0 else 1)
        total += value - 9 if value > 9 else value
    return str(-total % 10)


def has_luhn(number: str) -> bool:
    """Say whether the last digit is the check digit of those before it."""
    return len(number) > 1 and number.isdigit() and luhn_digit(number[:-1]) == number[-1]


def build_imei(serial: int, tac: str = TEST_TAC) -> str:
    """Return a 15-digit IMEI (TS 23.003 clause 6.2.1) with its check digit."""
    body = f"{tac}{serial:06d}"
    if len(body) != 14:
        raise ValueError(f"expected TAC and SNR of 14 digits together, saw {body!r}")
    return body + luhn_digit(body)


def encode_iccid(iccid: str) -> str:
    """Return EF_ICCID as 20 hex digits: BCD, nibbles swapped, filled with F (ETSI TS 102 221 clause 13.2)."""
    if not iccid.isdigit() or not 10 <= len(iccid) <= 20:
        raise ValueError(f"expected an ICCID of 10 to 20 digits, saw {iccid!r}")
    padded = iccid.ljust(20, "F")
    return "".join(padded[i + 1] + padded[i] for i in range(0, 20, 2))


def decode_iccid(octets: str) -> str:
    """Return the digits of an EF_ICCID given as hex. Raises: ValueError."""
    swapped = "".join(octets[i + 1] + octets[i] for i in range(0, len(octets) - 1, 2))
    digits = swapped.upper().rstrip("F")
    if len(octets) != 20 or not digits.isdigit():
        raise ValueError(f"expected EF_ICCID as 20 hex digits of BCD, saw {octets!r}")
    return digits


def encode_apn(apn: str) -> bytes:
    """Return an APN network identifier as it travels: each label after its length (TS 23.003 clause 9.1).

    Raises: ValueError, saying what is wrong with it.
    """
    labels = apn.split(".")
    for label in labels:
        if len(label) > 63 or not _LABEL.match(label):
            raise ValueError(f"APN {apn!r}: label {label!r} is not letters, digits and inner hyphens")
    if apn.lower().startswith(_FORBIDDEN_STARTS) or labels[-1].lower() == "gprs":
        raise ValueError(f"APN {apn!r}: must not start with {', '.join(_FORBIDDEN_STARTS)} nor end in .gprs")
    encoded = b"".join(bytes([len(label)]) + label.encode("ascii") for label in labels)
    if len(encoded) > 63:  # TS 23.003 clause 9.1.1
        raise ValueError(f"APN {apn!r}: expected at most 63 octets encoded, saw {len(encoded)}")
    return encoded


def is_home(imsi: str, plmn: str) -> bool:
    """Say whether the IMSI belongs to the network `plmn` (``00101`` or ``001-01``): TS 23.003 clause 2.2."""
    return imsi.startswith(plmn.replace("-", ""))
