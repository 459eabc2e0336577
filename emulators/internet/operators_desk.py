"""An operator at a desk on the internet, and whoever pretends to be one. Layer: stand-in, I/O (sockets, clock).

The verb ``operate`` tries requests at the management server's interface for operators, one after the other, each with a
token of a kind: got by signing in with both factors or with the password alone, minted wrong in one thing, or none.
No token leaves this node: the result says only what the server answered.
"""

from __future__ import annotations

import http.client
import json
import socket
import ssl
import time
import urllib.parse
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from emulators.common.probes import find_address
from emulators.common.server_tls import build_server_tls
from emulators.common.service import Handler
from emulators.common.totp import find_step, make_code
from emulators.internet.identity_provider import DISCOVERY, start_identity_provider
from emulators.internet.sign_in import STEPS_LATE, SignIn, User

MEDIA_TYPE = "application/yang-data+json"  # RFC 8040 section 11.3
MAX_BODY_BYTES = 64 * 1024
RENEW_S = 60.0  # our choice: a token with less life left is not used for a new round

Locate = Callable[[str, float], str]


class DeskError(RuntimeError):
    """A try could not be made: no sign-in, no such kind of token."""


@dataclass(frozen=True, slots=True)
class _Ask:
    """One HTTP request."""

    url: str
    method: str
    headers: dict[str, str]
    body: bytes | None


@dataclass(slots=True)
class Desk:
    """One operator, with what he knows and has. `locate`: host name and seconds to address."""

    user: User
    issuer: str
    audience: str
    sign_in: SignIn
    issuer_tls: ssl.SSLContext
    server_tls: ssl.SSLContext
    locate: Locate
    _held: dict[str, tuple[str, float]] = field(default_factory=dict)
    _last_step: int = -1

    def operate(self, base_url: str, tries: list[dict[str, Any]], timeout_s: float = 4.0) -> dict[str, Any]:
        """Try each of `tries` {bearer, method, path, body}; `base_url` is https://HOST:PORT of the interface."""
        return {"answers": [self._try(base_url, one, timeout_s) for one in tries]}

    def _try(self, base_url: str, one: dict[str, Any], timeout_s: float) -> dict[str, Any]:
        bearer, method, path = one["bearer"], one["method"], one["path"]
        headers = {"Accept": MEDIA_TYPE}
        if bearer != "none":
            headers["Authorization"] = f"Bearer {self._get_token(bearer, timeout_s)}"
        content = json.dumps(one["body"]).encode() if one.get("body") is not None else None
        if content is not None:
            headers["Content-Type"] = MEDIA_TYPE
        result: dict[str, Any] = {"bearer": bearer, "method": method, "path": path, "at_s": round(time.time(), 3)}
        ask = _Ask(base_url + path, method, headers, content)
        try:
            status, said, answer = self._exchange(ask, self.server_tls, timeout_s)
        except (OSError, http.client.HTTPException, LookupError) as error:
            return {**result, "status": 0, "error": f"{type(error).__name__}: {error}"}
        number = said.get("Audit-Number")
        audit = int(number) if number is not None and number.isdecimal() else None
        return {**result, "status": status, "challenge": said.get("WWW-Authenticate"), "audit": audit, "body": answer}

    def _get_token(self, bearer: str, timeout_s: float) -> str:
        if bearer not in ("second_factor", "password_only"):
            try:
                return self.sign_in.mint_wrong(bearer, self.user.name, time.time())
            except KeyError as error:
                raise DeskError(f"no kind of token is called {bearer}") from error
        token, until_s = self._held.get(bearer, ("", 0.0))
        if time.monotonic() + RENEW_S > until_s:
            token, life_s = self._sign_in(bearer == "second_factor", timeout_s)
            self._held[bearer] = token, time.monotonic() + life_s
        return token

    def _sign_in(self, both: bool, timeout_s: float) -> tuple[str, float]:
        """Return a token and its seconds of life. Raises: DeskError."""
        form = {"grant_type": "password", "username": self.user.name, "password": self.user.password}
        form["audience"] = self.audience
        if both:
            form["totp"] = self._read_code()
        headers = {"Content-Type": "application/x-www-form-urlencoded"}
        content = urllib.parse.urlencode(form).encode()
        try:
            find = _Ask(self.issuer.rstrip("/") + DISCOVERY, "GET", {}, None)
            _, _, about = self._exchange(find, self.issuer_tls, timeout_s)
            ask = _Ask(str(about["token_endpoint"]), "POST", headers, content)
            status, _, answer = self._exchange(ask, self.issuer_tls, timeout_s)
        except (OSError, http.client.HTTPException, LookupError, TypeError) as error:
            raise DeskError(f"sign-in at {self.issuer}: {type(error).__name__}: {error}") from error
        if status != 200:
            raise DeskError(f"sign-in at {self.issuer}: {status} {answer}")
        return str(answer["access_token"]), float(answer["expires_in"])

    def _read_code(self) -> str:
        """Return a code that was not used yet: the last step's, which is still taken, then this one's."""
        now = find_step(time.time())
        step = max(now - STEPS_LATE, self._last_step + 1)
        if step > now:
            raise DeskError("both codes of this half minute were used")
        self._last_step = step
        return make_code(self.user.totp_secret, step)

    def _exchange(self, ask: _Ask, tls: ssl.SSLContext, timeout_s: float) -> tuple[int, http.client.HTTPMessage, Any]:
        parts = urllib.parse.urlsplit(ask.url)
        host, port = str(parts.hostname), parts.port or 443
        connection = _Connection(host, self.locate(host, timeout_s), port, tls, timeout_s)
        try:
            connection.request(ask.method, parts.path or "/", ask.body, ask.headers)
            response = connection.getresponse()
            content = response.read(MAX_BODY_BYTES)
        finally:
            connection.close()
        try:
            answer = json.loads(content) if content else None
        except ValueError:
            answer = content.decode("utf-8", "replace")[:200]
        return response.status, response.headers, answer


def open_desk(settings: Mapping[str, Any], name_server: str) -> dict[str, Handler]:
    """Start the identity provider and return the verb of the operator who signs in there.

    Raises: OSError, TimeoutError.
    """
    users = tuple(User(u["name"], u["password"], bytes.fromhex(u["totp_secret"])) for u in settings["users"])
    sign_in = SignIn(settings["issuer"], settings["audience"], users)
    tls = build_server_tls(settings["certificate_pem"], settings["key_pem"])
    start_identity_provider(sign_in, settings["issuer"], settings["address"], tls)
    desk = Desk(
        user=users[0],
        issuer=settings["issuer"],
        audience=settings["audience"],
        sign_in=sign_in,
        issuer_tls=ssl.create_default_context(cadata=settings["issuer_ca_pem"]),
        server_tls=ssl.create_default_context(cadata=settings["server_ca_pem"]),
        locate=lambda host, timeout_s: find_address(host, (name_server,), timeout_s),
    )
    return {"operate": desk.operate}


class _Connection(http.client.HTTPSConnection):
    """HTTPS to an address that was found before, under the host's name."""

    def __init__(self, host: str, address: str, port: int, tls: ssl.SSLContext, timeout_s: float) -> None:
        super().__init__(host, port, context=tls, timeout=timeout_s)
        self._address, self._tls = address, tls

    def connect(self) -> None:
        plain = socket.create_connection((self._address, self.port), self.timeout)
        self.sock = self._tls.wrap_socket(plain, server_hostname=self.host)
