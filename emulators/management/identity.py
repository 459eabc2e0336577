"""Who a device is, by its TLS certificate. Layer: stand-in, pure.

The serial number is the subject's serialNumber (IEEE 802.1AR as RFC 8572 §9.2 recommends it, X.520 2.5.4.5). The MAC
address is `hwSerialNum` of the hardwareModuleName in subjectAltName (RFC 4108 §5), six octets. That the chain ends at
the device CA was checked by TLS before.
"""

from __future__ import annotations

from dataclasses import dataclass

from asn1crypto import core, x509

HARDWARE_MODULE_NAME = "1.3.6.1.5.5.7.8.4"  # RFC 4108 §5: id-on-hardwareModuleName


class IdentityError(ValueError):
    """The certificate does not say which device it is of."""


@dataclass(frozen=True, slots=True)
class Identity:
    """`mac` in lower-case colon form, None when the certificate carries none."""

    serial: str
    mac: str | None


class HardwareModuleName(core.Sequence):  # type: ignore[misc]  # asn1crypto has no types
    _fields = [("hw_type", core.ObjectIdentifier), ("hw_serial_num", core.OctetString)]  # noqa: RUF012


def read_identity(certificate_der: bytes) -> Identity:
    """Return the identity in a device certificate. Raises: IdentityError."""
    try:
        certificate = x509.Certificate.load(certificate_der, strict=True)
        serial = certificate.subject.native.get("serial_number")
        names = certificate.subject_alt_name_value or ()
        mac = next((found for name in names if (found := _find_mac(name)) is not None), None)
    except (ValueError, TypeError, KeyError) as error:
        raise IdentityError(f"expected an X.509 certificate: {error}") from error
    if not isinstance(serial, str) or not serial:
        raise IdentityError("expected one serialNumber in the subject, saw none")
    return Identity(serial, mac)


def _find_mac(name: x509.GeneralName) -> str | None:
    if name.name != "other_name" or name.chosen["type_id"].dotted != HARDWARE_MODULE_NAME:
        return None
    value = name.chosen["value"].parse(HardwareModuleName)["hw_serial_num"].native
    return str(value.hex(":")) if len(value) == 6 else None
