"""What charon is told: its settings file and the proposals' words. Layer: shared by router and gateway, pure.

One IKE daemon serves both ends of the bench's tunnel (strongSwan's charon); ends differ in the connection that they
load over its control socket. `Means` says who encrypts: ``kernel`` (xfrm, a tunnel interface of type xfrm) or
``userspace`` (charon's own ESP over a TUN). Either way clear packets pass one interface, `TUNNEL_INTERFACE`, and ESP
always travels in UDP: user-space ESP can do nothing else, and a site behind a carrier's NAT needs it (RFC 7296 2.23).

Not here: sockets and processes (vici_client.py, charon.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

Means = Literal["kernel", "userspace"]

TUNNEL_INTERFACE = "ipsec0"
"""The name that charon gives its first TUN; the xfrm interface takes the same, so that nothing else need know."""
XFRM_IF_ID = 42
"""Ties policies and states to the xfrm interface; any number but 0 would do."""
CONNECTION, CHILD = "headquarters", "branch"

RETRANSMIT_TIMEOUT_S, RETRANSMIT_BASE, RETRANSMIT_TRIES = 2.0, 1.4, 4
"""IKE requests go out at 0, 2, 4.8, 8.7 and 14.2 s and are given up after 21.9 s. RFC 7296 2.4 leaves number and timing
open, if they grow exponentially; charon's own 165 s is for a host that has nothing to fail over to."""

PLUGINS = (
    "random nonce openssl x509 pem pkcs1 pkcs8 pubkey constraints revocation kdf "
    "{libipsec}kernel-netlink socket-default vici updown"
)

_IKE_WORDS = {
    "PRF_HMAC_SHA1": "prfsha1",
    "PRF_HMAC_SHA2_256": "prfsha256",
    "PRF_HMAC_SHA2_384": "prfsha384",
    "PRF_HMAC_SHA2_512": "prfsha512",
    "HMAC_SHA1_96": "sha1",
    "HMAC_SHA2_256_128": "sha256",
    "HMAC_SHA2_384_192": "sha384",
    "HMAC_SHA2_512_256": "sha512",
    "CURVE_25519": "x25519",
    "CHACHA20_POLY1305": "chacha20poly1305",
}


def render_charon(means: Means, tag: str, socket: str = "/run/charon.vici", settings: Sequence[str] = ()) -> str:
    """Return strongswan.conf. `tag` is the name under which charon writes to the local syslog; empty for not at all.
    `settings`: more of charon's own, for one that is not alone in its network namespace."""
    libipsec = "kernel-libipsec " if means == "userspace" else ""
    syslog = f"  syslog {{\n    identifier = {tag}\n    daemon {{ default = 1 }}\n  }}\n" if tag else ""
    own_routes = "yes" if means == "userspace" else "no"  # an xfrm interface's routes are set by who makes it
    return (
        "charon-systemd {\n"
        f"  load = {PLUGINS.format(libipsec=libipsec)}\n"
        f"  retransmit_timeout = {RETRANSMIT_TIMEOUT_S}\n"
        f"  retransmit_base = {RETRANSMIT_BASE}\n"
        f"  retransmit_tries = {RETRANSMIT_TRIES}\n"
        # to stderr, which nobody buffers: charon makes only files of its own flush each line
        "  half_open_timeout = 30\n"
        f"  install_routes = {own_routes}\n"
        "  filelog {\n    out {\n      path = stderr\n      default = 1\n    }\n  }\n"
        f"{syslog}"
        f"{''.join(f'  {line}{chr(10)}' for line in settings)}"
        f"  plugins {{\n    vici {{ socket = unix://{socket} }}\n  }}\n"
        "}\n"
    )


def build_child(
    esp_proposals: tuple[str, ...],
    local_ts: tuple[str, ...],
    remote_ts: tuple[str, ...],
    means: Means,
    **actions: str,
) -> dict[str, Any]:
    """Return the child section of a connection in vici's terms."""
    child: dict[str, Any] = {
        "mode": "tunnel",
        "esp_proposals": list(esp_proposals),
        "local_ts": list(local_ts),
        "remote_ts": list(remote_ts),
        **actions,
    }
    if means == "kernel":
        child |= {"if_id_in": str(XFRM_IF_ID), "if_id_out": str(XFRM_IF_ID)}
    return child


def name_ike(sa: Mapping[str, Any]) -> str:
    """Return an IKE SA's suite (vici's ``ike-updown``) in keyword form: ``aes256gcm16-prfsha384-ecp256``.

    The PRF is left out where it is the integrity algorithm's own hash, as it is when one writes such a proposal.
    """
    encryption = _name_encryption(sa)
    integrity = _name(sa.get("integ-alg"))
    prf = _name(sa.get("prf-alg"))
    if integrity and prf == f"prf{integrity}":
        prf = ""
    return "-".join(word for word in (encryption, integrity, prf, _name(sa.get("dh-group"))) if word)


def name_esp(sa: Mapping[str, Any]) -> str:
    """Return a CHILD SA's suite in keyword form: ``aes256gcm16``. The first child of an IKE SA has no group of its own
    (RFC 7296 1.2: IKE_AUTH carries no key exchange)."""
    return "-".join(
        word for word in (_name_encryption(sa), _name(sa.get("integ-alg")), _name(sa.get("dh-group"))) if word
    )


def _name_encryption(sa: Mapping[str, Any]) -> str:
    name, size = str(sa.get("encr-alg", "")), str(sa.get("encr-keysize", ""))
    if name == "AES_CBC":
        return f"aes{size}"
    if name.startswith("AES_GCM_"):
        return f"aes{size}gcm{name.rsplit('_', 1)[1]}"
    return _name(name)


def _name(term: object) -> str:
    text = str(term or "")
    return _IKE_WORDS.get(text, text.lower().replace("_", ""))
