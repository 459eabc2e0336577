"""Keys and certificates of a run, checked by the OpenSSL and OpenSSH command line tools (not by what made them)."""

from __future__ import annotations

import re
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.lab.pki import Credential, Pki, Subjects, build_hardware_module_name, make_pki

NOW = datetime.now(UTC)
DEVICE_CLOCK = datetime(2020, 1, 1, tzinfo=UTC)
SUBJECTS = Subjects(
    serial="SK-0001", mac="00:00:5e:00:53:2a", bootstrap_hosts=("bootstrap.skerry.example", "198.18.0.20"),
    gateway_id="hq.skerry.example", branch_id="pier@skerry.example",
)  # fmt: skip


@pytest.fixture(scope="module")
def pki() -> Pki:
    return make_pki(SUBJECTS, NOW, DEVICE_CLOCK)


def openssl(*args: str, text: str = "") -> str:
    done = subprocess.run(["openssl", *args], input=text, capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


def verify(tmp_path: Path, ca_pem: str, certificate_pem: str, *options: str) -> str:
    (tmp_path / "ca.pem").write_text(ca_pem)
    (tmp_path / "cert.pem").write_text(certificate_pem)
    return openssl("verify", "-x509_strict", *options, "-CAfile", str(tmp_path / "ca.pem"), str(tmp_path / "cert.pem"))


def show(certificate_pem: str) -> str:
    return openssl("x509", "-noout", "-text", "-nameopt", "RFC2253", text=certificate_pem)


def test_openssl_verifies_every_chain(pki: Pki, tmp_path: Path) -> None:
    host = "bootstrap.skerry.example"
    for ca, credential, purpose in (
        (pki.manufacturer_ca_pem, pki.device, ("-purpose", "sslclient")),
        (pki.bootstrap_ca_pem, pki.management, ("-purpose", "sslserver", "-verify_hostname", host)),
        (pki.bootstrap_ca_pem, pki.management, ("-purpose", "sslserver", "-verify_ip", "198.18.0.20")),
        (pki.hq_ca_pem, pki.gateway, ("-verify_hostname", "hq.skerry.example")),
        (pki.hq_ca_pem, pki.branch, ("-verify_email", "pier@skerry.example")),
    ):
        assert verify(tmp_path, ca, credential.certificate_pem, *purpose).endswith("cert.pem: OK\n")
        assert credential.chain_pem == ca


def test_openssl_refuses_another_name_and_another_authority(pki: Pki, tmp_path: Path) -> None:
    server = pki.management.certificate_pem
    seen = verify(tmp_path, pki.bootstrap_ca_pem, server, "-verify_hostname", "x.example")
    assert "hostname mismatch" in seen.lower()
    assert "error 20" in verify(tmp_path, pki.hq_ca_pem, server)  # unable to get local issuer certificate


def test_with_the_clock_that_a_device_starts_with(pki: Pki, tmp_path: Path) -> None:
    """RFC 5280 section 6.1.3(a)(2): the server is "not yet valid" (OpenSSL's error 9), at depth 0, so its CA is not;
    the device's own certificate is good at any time."""
    then = ("-attime", str(int(DEVICE_CLOCK.timestamp())))
    seen = verify(tmp_path, pki.bootstrap_ca_pem, pki.management.certificate_pem, *then)
    assert "error 9 at 0 depth" in seen
    assert verify(tmp_path, pki.manufacturer_ca_pem, pki.device.certificate_pem, *then).endswith("OK\n")
    far = ("-attime", "32503680000")  # the year 3000
    assert verify(tmp_path, pki.manufacturer_ca_pem, pki.device.certificate_pem, *far).endswith("OK\n")


def test_device_certificate_is_an_802_1ar_identity(pki: Pki) -> None:
    """serialNumber in the subject, notAfter 99991231235959Z (RFC 5280 section 4.1.2.5), hardwareModuleName (RFC 4108
    section 5: OID, then an OCTET STRING of the serial), as OpenSSL's own parser shows them."""
    text = show(pki.device.certificate_pem)
    assert re.search(r"Subject: serialNumber=SK-0001$", text, re.MULTILINE)
    assert "Not After : Dec 31 23:59:59 9999 GMT" in text
    assert "ASN1 OID: prime256v1" in text and "ecdsa-with-SHA256" in text
    parsed = openssl("asn1parse", "-strparse", str(_san_offset(pki.device)), text=pki.device.certificate_pem)
    assert re.search(r"OBJECT\s+:1\.3\.6\.1\.5\.5\.7\.8\.4|OBJECT\s+:.*[Hh]ardware Module Name", parsed)
    assert re.search(r"OBJECT\s+:1\.3\.6\.1\.4\.1\.32473\.1\.1", parsed)
    assert re.search(r"OCTET STRING\s+\[HEX DUMP\]:00005E00532A", parsed)


def _san_offset(credential: Credential) -> int:
    """Return where the subjectAltName's OCTET STRING begins, by ``openssl asn1parse``."""
    lines = openssl("asn1parse", text=credential.certificate_pem).splitlines()
    at = next(i for i, line in enumerate(lines) if "X509v3 Subject Alternative Name" in line)
    return int(next(line for line in lines[at:] if "OCTET STRING" in line).split(":")[0])


def test_hardware_module_name_is_der() -> None:
    """By hand from RFC 4108 section 5 and X.690: SEQUENCE { OID 1.3.6.1.4.1.32473.1.1, OCTET STRING of six octets }."""
    value = build_hardware_module_name("00:00:5e:00:53:2a").value
    assert value.hex() == "3014" + "060a2b0601040181fd590101" + "040600005e00532a"


def test_keys_belong_to_their_certificates(pki: Pki, tmp_path: Path) -> None:
    for credential in (pki.device, pki.management, pki.gateway, pki.branch):
        of_key = openssl("pkey", "-pubout", text=credential.key_pem)
        assert of_key.startswith("-----BEGIN PUBLIC KEY-----")
        assert openssl("x509", "-noout", "-pubkey", text=credential.certificate_pem) == of_key
    assert openssl("pkey", "-pubout", text=pki.firmware.private_pem) == pki.firmware.public


def test_openssh_reads_the_operators_key(pki: Pki, tmp_path: Path) -> None:
    key = tmp_path / "key"
    key.touch(mode=0o600)
    key.write_text(pki.operator.private_pem)
    done = subprocess.run(["ssh-keygen", "-y", "-f", str(key)], capture_output=True, text=True, check=True)
    assert done.stdout.split()[:2] == pki.operator.public.split()[:2]
    assert done.stdout.startswith("ecdsa-sha2-nistp256 ")


def test_no_two_runs_share_a_key(pki: Pki) -> None:
    other = make_pki(SUBJECTS, NOW, DEVICE_CLOCK)
    assert other.device.key_pem != pki.device.key_pem and other.firmware.public != pki.firmware.public


def test_keys_do_not_show_in_a_printed_record(pki: Pki) -> None:
    assert "PRIVATE KEY" not in repr(pki)
