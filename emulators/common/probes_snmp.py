"""The probes ``snmp_get``, one SNMPv3 GET with authentication and privacy, and ``snmp_tries``, many requests of any
kind at once, also such as must not be answered. By pysnmp. Layer: stand-in, I/O.

User-based security model RFC 3414; AES-128 privacy RFC 3826; HMAC-SHA-2 authentication RFC 7860. Each call has an
engine of its own, so that nothing learnt of an agent (engine ID, boots, time) is carried from one question to the next.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping, Sequence
from typing import Any

from pysnmp.hlapi.v3arch.asyncio import (
    CommunityData,
    ContextData,
    ObjectIdentity,
    ObjectType,
    SnmpEngine,
    UdpTransportTarget,
    UsmUserData,
    get_cmd,
    next_cmd,
    set_cmd,
    usmAesCfb128Protocol,
    usmHMAC192SHA256AuthProtocol,
    usmHMAC384SHA512AuthProtocol,
    usmHMACSHAAuthProtocol,
)
from pysnmp.proto.rfc1902 import OctetString

SNMP_PORT = 161  # RFC 3417 section 3.1
TRY_S = 1.0
AUTH = {
    "sha": usmHMACSHAAuthProtocol,  # RFC 3414 section 7
    "sha256": usmHMAC192SHA256AuthProtocol,  # RFC 7860 section 4
    "sha512": usmHMAC384SHA512AuthProtocol,
}
PRIV = {"aes128": usmAesCfb128Protocol}  # RFC 3826 section 3
COMMANDS = {"get": get_cmd, "next": next_cmd, "set": set_cmd}
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
    found = asyncio.run(_try((target, port), credentials, {"oid": oid}, timeout_s))
    return {key: found[key] for key in ("outcome", "value", "detail")}


def snmp_tries(
    target: str, tries: Sequence[Mapping[str, Any]], timeout_s: float = 2.0, port: int = SNMP_PORT
) -> dict[str, Any]:
    """Make all requests {op, oid, value?, target?, version, community | user, level, auth, auth_key, priv, priv_key} at
    once. `op`: ``get``, ``next`` or ``set`` (an octet string); `version`: ``v1``, ``v2c``, ``v3``; `level`: as RFC 3411
    section 3.4.3 names them. ``results`` are in their order: as of snmp_get, with the ``oid`` that the answer is of."""

    async def run() -> list[dict[str, Any]]:
        one = ((str(each.get("target") or target), port) for each in tries)
        jobs = (_try(at, read_credentials(each), each, timeout_s) for at, each in zip(one, tries, strict=True))
        return list(await asyncio.gather(*jobs))

    return {"results": asyncio.run(run())}


def read_credentials(given: Mapping[str, Any]) -> Any:
    """Return what a request says of itself, as pysnmp takes it. Raises: KeyError."""
    version = given.get("version", "v3")
    if version != "v3":
        return CommunityData(given["community"], mpModel={"v1": 0, "v2c": 1}[version])
    level = given.get("level", "authPriv")
    if level == "noAuthNoPriv":
        return UsmUserData(given["user"])
    if level == "authNoPriv":
        return UsmUserData(given["user"], given["auth_key"], authProtocol=AUTH[given["auth"]])
    keys = (given["auth_key"], given["priv_key"])
    return UsmUserData(given["user"], *keys, authProtocol=AUTH[given["auth"]], privProtocol=PRIV[given["priv"]])


async def _try(at: tuple[str, int], credentials: Any, given: Mapping[str, Any], timeout_s: float) -> dict[str, Any]:
    engine = SnmpEngine()
    command = COMMANDS[str(given.get("op", "get"))]
    identity = ObjectIdentity(given["oid"])
    wanted = ObjectType(identity, OctetString(given["value"])) if "value" in given else ObjectType(identity)
    try:
        retries = max(0, round(timeout_s / TRY_S) - 1)
        transport = await UdpTransportTarget.create(at, timeout=min(TRY_S, timeout_s), retries=retries)
        trouble, status, _, bindings = await command(
            engine, credentials, transport, ContextData(), wanted, lookupMib=False
        )
    finally:
        engine.close_dispatcher()
    nothing = {"value": None, "oid": None}
    if trouble:
        return {"outcome": classify(type(trouble).__name__), **nothing, "detail": str(trouble)}
    if status:
        return {"outcome": f"error_{status.prettyPrint()}", **nothing, "detail": None}
    name, value = bindings[0]
    kind = type(value).__name__
    if kind in ("NoSuchObject", "NoSuchInstance", "EndOfMibView"):  # exceptions of RFC 3416 section 4.2.1
        return {"outcome": "no_such_object", **nothing, "detail": kind}
    return {"outcome": "value", "value": value.prettyPrint(), "oid": str(name), "detail": kind}


def classify(name: str) -> str:
    """Return our word for pysnmp's error class."""
    return OUTCOMES.get(name) or re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower()
