"""The issuer's signing keys, fetched from the issuer itself. Layer: stand-in, I/O (aiohttp).

Found by OpenID Connect Discovery 1.0 section 4: ``ISSUER/.well-known/openid-configuration`` names the ``jwks_uri``; the
issuer that it states must be exactly the one that was asked (section 4.3). Both over TLS with the issuer's own
authority. A key id that is not known has the keys fetched again, since an issuer changes them (section 10.1.1 of OpenID
Connect Core 1.0), but not more often than `REFRESH_S`: tokens of strangers must not make this server hammer it.
"""

from __future__ import annotations

import asyncio
import json
import socket
import ssl
import time
from collections.abc import Mapping
from typing import Any

import aiohttp
from aiohttp.abc import AbstractResolver

from emulators.common.probes import find_address

REFRESH_S = 5.0  # our choice
FETCH_TIMEOUT_S = 4.0  # our choice: an operator waits
MAX_DOCUMENT_BYTES = 256 * 1024
DISCOVERY = "/.well-known/openid-configuration"


class KeysError(Exception):
    """The issuer's keys could not be had."""


class BenchResolver(AbstractResolver):
    """Asks the bench's own name servers; the system's resolver leads nowhere in a lab."""

    def __init__(self, servers: tuple[str, ...]) -> None:
        self._servers = servers

    async def resolve(self, host: str, port: int = 0, family: Any = socket.AF_INET) -> Any:
        """Return one address. Raises: OSError, as aiohttp expects."""
        try:
            address = await asyncio.to_thread(find_address, host, self._servers, FETCH_TIMEOUT_S)
        except LookupError as error:
            raise OSError(str(error)) from error
        return [{"hostname": host, "host": address, "port": port, "family": socket.AF_INET, "proto": 0, "flags": 0}]

    async def close(self) -> None:
        """Hold nothing."""


class KeySource:
    """The keys of one issuer."""

    def __init__(self, issuer: str, ca_pem: str, name_servers: tuple[str, ...]) -> None:
        self._issuer, self._servers = issuer, name_servers
        self._tls = ssl.create_default_context(cadata=ca_pem)
        self._tls.minimum_version = ssl.TLSVersion.TLSv1_2
        self._keys: dict[str, Mapping[str, Any]] = {}
        self._asked_s: float | None = None
        self._trouble: KeysError | None = None
        self._lock = asyncio.Lock()

    async def find(self, key_id: str) -> Mapping[str, Any] | None:
        """Return the key of an id, or None where the issuer has none. Raises: KeysError."""
        async with self._lock:
            due = self._asked_s is None or time.monotonic() - self._asked_s > REFRESH_S
            if key_id not in self._keys and due:
                await self._refresh()
        if key_id not in self._keys and self._trouble is not None:
            raise self._trouble
        return self._keys.get(key_id)

    async def _refresh(self) -> None:
        """Fetch the keys, or keep those that there are and note why."""
        try:
            self._keys, self._trouble = await self._fetch(), None
        except KeysError as error:
            self._trouble = error
        self._asked_s = time.monotonic()

    async def _fetch(self) -> dict[str, Mapping[str, Any]]:
        connector = aiohttp.TCPConnector(resolver=BenchResolver(self._servers), ssl=self._tls)
        timeout = aiohttp.ClientTimeout(total=FETCH_TIMEOUT_S)
        try:
            async with aiohttp.ClientSession(connector=connector, timeout=timeout) as session:
                about = await _get(session, self._issuer.rstrip("/") + DISCOVERY)
                if about.get("issuer") != self._issuer:
                    raise KeysError(f"expected the issuer to call itself {self._issuer}, saw {about.get('issuer')!r}")
                where = about.get("jwks_uri")
                if not isinstance(where, str) or not where.startswith("https://"):
                    raise KeysError(f"expected an https jwks_uri, saw {where!r}")
                keys = (await _get(session, where)).get("keys")
        except (aiohttp.ClientError, asyncio.TimeoutError, OSError) as error:  # noqa: UP041 - Python 3.11: one; 3.10: two
            raise KeysError(f"{self._issuer}: {type(error).__name__}: {error}") from error
        listed = [key for key in keys if isinstance(key, dict)] if isinstance(keys, list) else []
        return {str(key["kid"]): key for key in listed if "kid" in key}


async def _get(session: aiohttp.ClientSession, url: str) -> dict[str, Any]:
    async with session.get(url, allow_redirects=False) as response:
        content = await response.content.read(MAX_DOCUMENT_BYTES)
    if response.status != 200:
        raise KeysError(f"{url}: expected 200, saw {response.status}")
    try:
        document = json.loads(content)
    except ValueError as error:
        raise KeysError(f"{url}: expected JSON: {error}") from error
    if not isinstance(document, dict):
        raise KeysError(f"{url}: expected a JSON object")
    return document
