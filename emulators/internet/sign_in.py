"""The identity provider's mind: who gets which token. Layer: stand-in; PyJWT signs, time is an argument.

An operator signs in with user name and password, and a code of RFC 6238 where he has it at hand: the token then says in
``amr`` (RFC 8176) what was presented, and no more. A code is taken once (RFC 6238 section 5.2), at most one step late.
Tokens are those of RFC 9068. `mint_wrong` makes what a good provider never would, to be refused elsewhere.

The grant is the password's own (RFC 6749 section 4.3): on a bench nobody has a browser to be sent around with. Not
here: HTTPS (identity_provider.py).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import jwt
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from emulators.common.totp import find_step, make_code

TOKEN_LIFE_S = 300  # our choice
STEPS_LATE = 1  # RFC 6238 section 5.2: at most one step for delay
CLIENT = "operators-desk"
TYPE = "at+jwt"  # RFC 9068 section 2.1
OTHER_ISSUER = "https://id.elsewhere.example"
OTHER_AUDIENCE = "another-service"


@dataclass(frozen=True, slots=True)
class User:
    name: str
    password: str = field(repr=False)
    totp_secret: bytes = field(repr=False)


class SigningKey:
    """An ECDSA P-256 key, made here and now, and its public half as a JWK (RFC 7518 section 6.2)."""

    def __init__(self) -> None:
        self.private = ec.generate_private_key(ec.SECP256R1())
        numbers = self.private.public_key().public_numbers()
        point = {"x": numbers.x.to_bytes(32, "big"), "y": numbers.y.to_bytes(32, "big")}
        self.jwk = {"kty": "EC", "crv": "P-256", **{name: encode(part) for name, part in point.items()}}
        thumb = json.dumps(dict(sorted(self.jwk.items())), separators=(",", ":")).encode()
        self.id = encode(hashlib.sha256(thumb).digest())  # RFC 7638
        self.jwk |= {"kid": self.id, "use": "sig", "alg": "ES256"}
        form = serialization.PublicFormat.SubjectPublicKeyInfo
        self.public_pem = self.private.public_key().public_bytes(serialization.Encoding.PEM, form)


class SignIn:
    """One issuer, one signing key, its users."""

    def __init__(self, issuer: str, audience: str, users: tuple[User, ...]) -> None:
        self._issuer, self._audience = issuer, audience
        self._users = {user.name: user for user in users}
        self._last_step: dict[str, int] = {}
        self.key = SigningKey()

    def describe(self) -> dict[str, Any]:
        """Return the discovery document (OpenID Connect Discovery 1.0 section 3)."""
        base = self._issuer.rstrip("/")
        return {
            "issuer": self._issuer,
            "jwks_uri": f"{base}/jwks",
            "token_endpoint": f"{base}/token",
            "authorization_endpoint": f"{base}/authorize",
            "grant_types_supported": ["password"],
            "response_types_supported": [],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["ES256"],
        }

    def list_keys(self) -> dict[str, Any]:
        """Return the key set (RFC 7517 section 5)."""
        return {"keys": [self.key.jwk]}

    def grant(self, form: Mapping[str, str], now_s: float) -> tuple[int, dict[str, Any]]:
        """Answer a request at the token endpoint (RFC 6749 sections 5.1 and 5.2). Returns status and body."""
        if form.get("grant_type") != "password":
            return 400, {"error": "unsupported_grant_type"}
        user = self._users.get(form.get("username", ""))
        given = form.get("password", "").encode()
        if user is None or not hmac.compare_digest(user.password.encode(), given):
            return 400, {"error": "invalid_grant", "error_description": "no such user, or another password"}
        methods = ["pwd"]
        if "totp" in form:
            if not self._take_code(user, form["totp"], now_s):
                return 400, {"error": "invalid_grant", "error_description": "the code is wrong, or was used before"}
            methods += ["otp", "mfa"]
        audience = form.get("audience", self._audience)
        claims = self._claim(user.name, now_s, aud=audience, amr=methods)
        return 200, {"access_token": self._sign(claims), "token_type": "Bearer", "expires_in": TOKEN_LIFE_S}

    def _take_code(self, user: User, code: str, now_s: float) -> bool:
        now = find_step(now_s)
        for step in range(now - STEPS_LATE, now + 1):
            right = hmac.compare_digest(make_code(user.totp_secret, step).encode(), code.encode())
            if right and step > self._last_step.get(user.name, -1):
                self._last_step[user.name] = step
                return True
        return False

    def mint_wrong(self, kind: str, user: str, now_s: float) -> str:
        """Return a token that is right in all but one thing. Raises: KeyError for a kind that is not known."""
        both = ["pwd", "otp", "mfa"]
        claim, sign = self._claim, self._sign
        kinds: dict[str, Callable[[], str]] = {
            "expired": lambda: sign(claim(user, now_s - 2 * TOKEN_LIFE_S, amr=both)),
            "not_yet": lambda: sign(claim(user, now_s, amr=both, nbf=int(now_s) + 3600)),
            "other_audience": lambda: sign(claim(user, now_s, amr=both, aud=OTHER_AUDIENCE)),
            "other_issuer": lambda: sign(claim(user, now_s, amr=both, iss=OTHER_ISSUER)),
            "other_type": lambda: sign(claim(user, now_s, amr=both), typ="JWT"),
            "wrong_signature": lambda: sign(claim(user, now_s, amr=both), key=SigningKey()),
            "unknown_key": lambda: sign(claim(user, now_s, amr=both), key=(other := SigningKey()), kid=other.id),
            "no_algorithm": lambda: self._forge(claim(user, now_s, amr=both), "none"),
            "key_as_secret": lambda: self._forge(claim(user, now_s, amr=both), "HS256"),
        }
        return kinds[kind]()

    def _claim(self, subject: str, now_s: float, **changes: Any) -> dict[str, Any]:
        now = int(now_s)
        own = {"iss": self._issuer, "aud": self._audience, "sub": subject, "client_id": CLIENT}
        times = {"iat": now, "nbf": now, "exp": now + TOKEN_LIFE_S}
        return {**own, **times, "jti": secrets.token_hex(8), **changes}

    def _sign(
        self, claims: Mapping[str, Any], *, key: SigningKey | None = None, kid: str | None = None, typ: str = TYPE
    ) -> str:
        headers = {"kid": kid or self.key.id, "typ": typ}
        return jwt.encode(dict(claims), (key or self.key).private, algorithm="ES256", headers=headers)

    def _forge(self, claims: Mapping[str, Any], algorithm: str) -> str:
        """Make the two forgeries of RFC 8725 section 2.1: no signature at all, and the public key used as a secret.
        By hand, since no library lends itself to it."""
        header = {"alg": algorithm, "typ": TYPE, "kid": self.key.id}
        text = ".".join(encode(json.dumps(part).encode()) for part in (header, dict(claims)))
        if algorithm == "none":
            return f"{text}."
        return f"{text}.{encode(hmac.new(self.key.public_pem, text.encode(), hashlib.sha256).digest())}"


def encode(data: bytes) -> str:
    """Return base64url without padding (RFC 7515 section 2)."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()
