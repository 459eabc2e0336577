"""The probe ``snmp_get``: one SNMPv3 GET by pysnmp, with authentication and privacy. Layer: stand-in, I/O.

User-based security model RFC 3414; AES-128 privacy RFC 3826; HMAC-SHA-2 authentication RFC 7860. Each call has an
engine of its own, so that nothing learnt of an agent (engine ID, boots, time) is carried from one question to the next.
"""

from __future__ import annotations

import asyncio
import re
from typing import Any

from pysnmp.hlapi.v3arch.asyncio import (
    ContextData,
    ObjectIdentity,
    ObjectType,
    SnmpEngine,
    UdpTransportTarget,
    UsmUserData,
    get_cmd,
    usmAesCfb128Protocol,
    usmHMAC192SHA256AuthProtocol,
    usmHMAC384SHA512AuthProtocol,
    usmHMACSHAAuthProtocol,
)

SNMP_PORT = 161  # RFC 3417 section 3.1
TRY_S = 1.0
AUTH = {
    "sha": usmHMACSHAAuthProtocol,  # RFC 3414 section 7
    "sha256": usmHMAC192SHA256AuthProtocol,  # RFC 7860 section 4
    "sha512": usmHMAC384SHA512AuthProtocol,
}
PRIV = {"aes128": usmAesCfb128Protocol}  # RFC 3826 section 3
OUTCOMES = {
    "RequestTimedOut": "timeout",
    "WrongDigest": "wrong_digest",  # usmStatsWrongDigests, RFC 3414 section 3.2 (6)
    "AuthenticationFailure": "wrong_digest",
    "UnknownUserName": "unknown_user",  # usmStatsUnknownUserNames, RFC 3414 section 3.2 (4)
    "UnknownSecurityName": "unknown_user",
    "DecryptionError": "decryption_error",  # usmStatsDecryptionErrors, RFC 3414 section 3.2 (8)
}


def snmp_get(
    target: str,
    user: str,
    *,
    auth_key: str,
    priv_key: str,
    oid: str = "1.3.6.1.2.1.1.5.0",  # sysName.0, RFC 3418
    auth: str = "sha256",
    priv: str = "aes128",
    timeout_s: float = 5.0,
    port: int = SNMP_PORT,
) -> dict[str, Any]:
    """Get one object. ``outcome``: value, no_such_object, timeout, wrong_digest, unknown_user, decryption_error, or the
    library's name of the error in the same style; ``value`` as text where there is one."""
    credentials = UsmUserData(user, auth_key, priv_key, authProtocol=AUTH[auth], privProtocol=PRIV[priv])
    return asyncio.run(_get(target, port, credentials, oid, timeout_s))


async def _get(target: str, port: int, credentials: Any, oid: str, timeout_s: float) -> dict[str, Any]:
    engine = SnmpEngine()
    try:
        retries = max(0, round(timeout_s / TRY_S) - 1)
        transport = await UdpTransportTarget.create((target, port), timeout=min(TRY_S, timeout_s), retries=retries)
        wanted = ObjectType(ObjectIdentity(oid))
        trouble, status, _, bindings = await get_cmd(
            engine, credentials, transport, ContextData(), wanted, lookupMib=False
        )
    finally:
        engine.close_dispatcher()
    if trouble:
        return {"outcome": classify(type(trouble).__name__), "value": None, "detail": str(trouble)}
    if status:
        return {"outcome": f"error_{status.prettyPrint()}", "value": None, "detail": None}
    value = bindings[0][1]
    kind = type(value).__name__
    if kind in ("NoSuchObject", "NoSuchInstance", "EndOfMibView"):  # exceptions of RFC 3416 section 4.2.1
        return {"outcome": "no_such_object", "value": None, "detail": kind}
    return {"outcome": "value", "value": value.prettyPrint(), "detail": kind}


def classify(name: str) -> str:
    """Return our word for pysnmp's error class."""
    return OUTCOMES.get(name) or re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower()
