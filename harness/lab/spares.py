"""Certificates that are wrong in one thing each, for faults. Layer: lab; makes keys, no files.

management    ended_yesterday, ended_last_year   was right once
              other_name                         for another name
              name_as_text                       the right name as Common Name only (RFC 9525 section 2: no identity)
              other_ca, self_signed              nobody whom the device trusts answers for it
second        right for a second server, of an authority that only a redirect tells of (RFC 8572 section 6.3)
device        ended_yesterday, ended_last_year   an identity with an end, which IEEE 802.1AR advises against
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from cryptography import x509
from cryptography.x509.oid import ExtendedKeyUsageOID

from harness.lab.certificates import (
    Authority,
    Credential,
    build_san,
    issue,
    issue_server,
    make_authority,
    name_common,
    self_sign_server,
)

OTHER_NAME = "another.invalid"
"""RFC 6761 section 6.4: a name that no server has."""
AGE, LIFE = timedelta(days=1), timedelta(days=90)
ENDED = {"ended_yesterday": timedelta(days=1), "ended_last_year": timedelta(days=365)}


@dataclass(frozen=True, slots=True)
class Spares:
    management: Mapping[str, Credential]
    second: Credential
    device: Mapping[str, Credential]


def make_spares(
    bootstrap: Authority,
    manufacturer: Authority,
    *,
    host: str,
    second: str,
    device: tuple[x509.Name, tuple[x509.GeneralName, ...]],
    now: datetime,
) -> Spares:
    """Make all. `host`: the management server's name or address; `device`: subject and names of the device."""
    valid = (now - AGE, now + LIFE)
    stranger = make_authority("Bench stranger CA", now - LIFE, now + LIFE)
    as_text = (build_san(f"desk@{OTHER_NAME}"),)
    right_once = {name: issue_server(bootstrap, host, (now - ago - LIFE, now - ago)) for name, ago in ENDED.items()}
    purpose = ExtendedKeyUsageOID.CLIENT_AUTH
    return Spares(
        management={
            **right_once,
            "other_name": issue_server(bootstrap, OTHER_NAME, valid),
            "name_as_text": issue(bootstrap, name_common(host), as_text, valid, ExtendedKeyUsageOID.SERVER_AUTH),
            "other_ca": issue_server(stranger, host, valid),
            "self_signed": self_sign_server(host, valid),
        },
        second=issue_server(make_authority("Bench second bootstrap CA", now - LIFE, now + LIFE), second, valid),
        device={
            name: issue(manufacturer, *device, (now - ago - LIFE, now - ago), purpose) for name, ago in ENDED.items()
        },
    )
