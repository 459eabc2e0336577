"""The trade's identifiers and what makes each one well formed. Layer: profile, pure.

Every `check_*` returns its text unchanged (host and APN names are compared without case elsewhere) or raises ValueError
whose message says what was expected and shows what was seen. Real subscribers and real makers' addresses cannot be
written down: an IMSI must be of a test network, a MAC locally administered or from the documentation block.

Not here: anything that needs a second field to judge (crosscheck.py).
"""

from __future__ import annotations

import ipaddress
import re

LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
"""One label of a host name or of an APN: RFC 1123 §2.1, RFC 1035 §2.3.4; 3GPP TS 23.003 clause 9.1."""

APN_NETWORK_OCTETS = 63  # TS 23.003 clause 9.1.1: Network Identifier, encoded
APN_OCTETS = 100  # TS 23.003 clause 9.1: Network Identifier and Operator Identifier, encoded
_APN_FORBIDDEN_STARTS = ("rac", "lac", "sgsn", "rnc")  # TS 23.003 clause 9.1.1
_APN_OPERATOR = re.compile(r"^(?P<network>.*)\.mnc\d{3}\.mcc\d{3}\.gprs$")  # TS 23.003 clause 9.1.2

IMSI_DIGITS = 15  # TS 23.003 clause 2.2: not more than 15
IMSI_LEAST_DIGITS = 6  # a 3-digit MCC, a 2-digit MNC and one digit of MSIN (TS 23.003 clause 2.2)
TEST_MCCS = ("001", "999")  # ITU-T E.212: 001 test networks, 999 internal use (second-hand; from memory)

ICCID_DIGITS = (19, 20)  # ITU-T E.118: up to 19 with the check digit; cards of 20 digits exist (ETSI TS 102 221 §13.2)

SERIAL_CHARACTERS = 64  # RFC 5280 Appendix A, ub-serial-number: it stands in the device certificate's serialNumber
_SERIAL = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?")  # part of PrintableString; safe in URI and log

_DOCUMENTATION_MAC = bytes.fromhex("00005e0053")  # RFC 7042 §2.1.2 (now RFC 9542): 00-00-5E-00-53-00 to -FF
HOST_NAME_CHARACTERS = 253  # RFC 1035 §2.3.4: 255 octets on the wire


def check_apn(text: str) -> str:
    """Check an access point name: a Network Identifier, with or without an Operator Identifier (TS 23.003 clause 9)."""
    name = text.lower()
    operator = _APN_OPERATOR.match(name)
    network = operator["network"] if operator else name
    for label in text.split("."):
        if not re.fullmatch(LABEL, label):
            raise ValueError(
                "expected labels of letters, digits and inner hyphens, joined by dots "
                f"(TS 23.003 clause 9.1), saw {text!r}"
            )
    if network.startswith(_APN_FORBIDDEN_STARTS):
        raise ValueError(f"an APN must not start with rac, lac, sgsn or rnc (TS 23.003 clause 9.1.1), saw {text!r}")
    if network == "gprs" or network.endswith(".gprs"):
        raise ValueError(f"an APN must not end with the label gprs (TS 23.003 clause 9.1.1), saw {text!r}")
    for encoded, limit, what in ((len(network) + 1, APN_NETWORK_OCTETS, "9.1.1"), (len(name) + 1, APN_OCTETS, "9.1")):
        if encoded > limit:  # each label has one length octet: as many as there are dots, and one
            text = f"expected at most {limit} octets encoded (TS 23.003 clause {what}), saw {encoded}: {text!r}"
            raise ValueError(text)
    return text


def check_imsi(text: str) -> str:
    """Check an IMSI of a test network (TS 23.003 clause 2.2)."""
    if not re.fullmatch(rf"[0-9]{{{IMSI_LEAST_DIGITS},{IMSI_DIGITS}}}", text):
        raise ValueError(f"expected {IMSI_LEAST_DIGITS} to {IMSI_DIGITS} digits (TS 23.003 clause 2.2), saw {text!r}")
    if not text.startswith(TEST_MCCS):
        raise ValueError(
            f"expected the IMSI of a test network, starting with {' or '.join(TEST_MCCS)} (ITU-T E.212), saw {text!r}: "
            "the bench never takes a real subscriber's identity"
        )
    return text


def check_iccid(text: str) -> str:
    """Check an ICCID (ITU-T E.118). A card of 20 digits may have no check digit: see `has_check_digit`."""
    if not re.fullmatch(r"89[0-9]{17,18}", text):
        raise ValueError(f"expected 19 or 20 digits starting with 89 (ITU-T E.118), saw {text!r}")
    if len(text) == ICCID_DIGITS[0] and not has_check_digit(text):
        right = next(d for d in "0123456789" if has_check_digit(text[:-1] + d))
        raise ValueError(f"the last digit must be the check digit {right} (ITU-T E.118, Luhn), saw {text!r}")
    return text


def has_check_digit(digits: str) -> bool:
    """Return whether the last digit is the Luhn check digit of those before it (ISO/IEC 7812-1)."""
    total = 0
    for place, digit in enumerate(reversed(digits)):
        value = int(digit) * (2 if place % 2 else 1)
        total += value - 9 if value > 9 else value
    return total % 10 == 0


def check_mac(text: str) -> str:
    """Check a MAC address: unicast, and locally administered or from the documentation block."""
    if not re.fullmatch(r"[0-9a-fA-F]{2}(?::[0-9a-fA-F]{2}){5}", text):
        raise ValueError(f"expected six pairs of hexadecimal digits joined by colons, saw {text!r}")
    octets = bytes.fromhex(text.replace(":", ""))
    if octets[0] & 0x01:
        raise ValueError(f"expected a unicast address (first octet even, IEEE 802), saw {text!r}")
    if not octets[0] & 0x02 and not octets.startswith(_DOCUMENTATION_MAC):
        raise ValueError(
            "expected a locally administered address (second digit 2, 6, A or E) or 00:00:5e:00:53:xx (RFC 9542), "
            f"saw {text!r}"
        )
    return text


def check_serial(text: str) -> str:
    """Check a serial number: it becomes the device certificate's serialNumber and the RESTCONF user (RFC 8572 §5.3)."""
    if len(text) > SERIAL_CHARACTERS or not _SERIAL.fullmatch(text):
        raise ValueError(
            f"expected 1 to {SERIAL_CHARACTERS} letters, digits, inner dots and hyphens (RFC 5280, A), saw {text!r}"
        )
    return text


def check_host_label(text: str) -> str:
    """Check one label: a host name without its domain (RFC 1123 §2.1)."""
    if not re.fullmatch(LABEL, text):
        raise ValueError(f"expected 1 to 63 letters, digits and inner hyphens (RFC 1123 §2.1), saw {text!r}")
    return text


def check_host_name(text: str) -> str:
    """Check a host name with its domain (RFC 1123 §2.1); a last label of digits only would read as an address."""
    labels = text.split(".")
    sound = all(re.fullmatch(LABEL, label) for label in labels) and not labels[-1].isdigit()
    if len(text) > HOST_NAME_CHARACTERS or not sound:
        raise ValueError(f"expected a host name, labels joined by dots (RFC 1123 §2.1), saw {text!r}")
    return text


def check_address(text: str) -> str:
    """Check a dotted IPv4 address."""
    try:
        ipaddress.IPv4Address(text)
    except ValueError:
        raise ValueError(f"expected an IPv4 address such as 192.0.2.1, saw {text!r}") from None
    return text


def check_host(text: str) -> str:
    """Check a host: a name with its domain, or an IPv4 address."""
    return check_address(text) if re.fullmatch(r"[0-9.]+", text) else check_host_name(text)


def check_network(text: str) -> str:
    """Check an IPv4 network in CIDR form, with no host bits set."""
    try:
        network = ipaddress.IPv4Network(text, strict=False)
    except ValueError:
        raise ValueError(f"expected an IPv4 network such as 10.61.1.0/24, saw {text!r}") from None
    if str(network) != text:
        raise ValueError(f"expected {network}, saw {text!r}: write the network's own address and a prefix length")
    return text
