"""Whether a bearer token opens the interface for operators. Layer: stand-in; PyJWT does all cryptography and reads the
clock.

A token is a JWT access token (RFC 9068) of the issuer: ``typ`` at+jwt, signed with one of the issuer's own keys by an
algorithm for signatures only, of the right ``iss`` and ``aud``, in its time, and, where that is asked for, saying in
``amr`` (RFC 8176) that two kinds of factor were used. What is refused says why in the words of RFC 6750 section 3.1 and
RFC 9470 section 3. Not here: the issuer's keys (operator_keys.py), what an operator may do (operator_api.py).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import jwt

from emulators.common.controls import Operators

ALGORITHMS = {"ES256": "EC", "RS256": "RSA"}
"""Algorithm (RFC 7518 section 3.1) to the key type that it takes. Neither ``none`` nor one with a shared secret is
among them: those are how a token is forged (RFC 8725 section 2.1)."""
TYPES = ("at+jwt", "application/at+jwt")  # RFC 9068 section 4
REQUIRED = ("iss", "exp", "aud", "sub", "client_id", "iat", "jti")  # RFC 9068 section 2.2
LEEWAY_S = 2.0  # between two servers' clocks; our choice: here they share one
MAX_TOKEN_CHARS = 4096  # our choice, below what aiohttp takes as a header
MAX_CLAIMED_CHARS = 64
_TOKEN = re.compile(r"[A-Za-z0-9._~+/-]+=*")  # RFC 6750 section 2.1: b64token

FACTORS = {
    "pwd": "known", "pin": "known", "kba": "known", "otp": "had", "hwk": "had", "swk": "had", "sc": "had", "sms": "had",
    "tel": "had", "fpt": "been", "face": "been", "iris": "been", "retina": "been", "vbm": "been",
}  # fmt: skip
"""Methods of RFC 8176 section 2, by the kind of factor: something known, had or been."""


class TokenError(Exception):
    """A request without a good token. `reason` is a word for the log, `error` the code for the challenge (None where
    there was no token at all, RFC 6750 section 3.1). `who` is the subject where the signature was good, `claimed` where
    it was not."""

    def __init__(
        self, reason: str, status: int, error: str | None, *, who: str | None = None, claimed: str | None = None
    ) -> None:
        self.reason, self.status, self.error, self.who, self.claimed = reason, status, error, who, claimed
        super().__init__(reason)


@dataclass(frozen=True, slots=True)
class Bearer:
    """Who presented a good token."""

    subject: str
    methods: tuple[str, ...]


def read_token(authorization: list[str], query: Mapping[str, str]) -> str:
    """Return the token of a request. Raises: TokenError."""
    if "access_token" in query or len(authorization) > 1:
        # RFC 6750 section 2: one method only; section 2.3: in a URL it would be in every log on the way
        raise TokenError("malformed", 400, "invalid_request")
    scheme, _, token = (authorization[0] if authorization else "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise TokenError("no_token", 401, None)
    if len(token) > MAX_TOKEN_CHARS or not _TOKEN.fullmatch(token.strip()):
        raise TokenError("malformed", 401, "invalid_token")
    return token.strip()


def read_key_id(token: str) -> str:
    """Return the id of the key that a token says it is signed with. Raises: TokenError."""
    try:
        header = jwt.get_unverified_header(token)
    except jwt.PyJWTError as error:
        raise TokenError("malformed", 401, "invalid_token") from error
    claimed = _read_claimed(token)
    if header.get("alg") not in ALGORITHMS:
        raise TokenError("algorithm", 401, "invalid_token", claimed=claimed)
    if str(header.get("typ", "")).lower() not in TYPES:
        raise TokenError("type", 401, "invalid_token", claimed=claimed)
    return str(header.get("kid", ""))


def verify(token: str, key: Mapping[str, Any] | None, rules: Operators) -> Bearer:
    """Return who bears a token that `read_key_id` took. `key`: the JWK of its key id, None where the issuer has none.

    Raises: TokenError.
    """
    claimed = _read_claimed(token)
    algorithm = str(jwt.get_unverified_header(token)["alg"])
    fits = key is not None and key.get("kty") == ALGORITHMS[algorithm] and key.get("use", "sig") == "sig"
    if key is None or not fits or key.get("alg", algorithm) != algorithm:
        raise TokenError("unknown_key", 401, "invalid_token", claimed=claimed)
    try:
        public = jwt.PyJWK.from_dict(dict(key)).key
        signed = jwt.decode(token, public, algorithms=[algorithm], options=_UNCHECKED)
    except jwt.PyJWTError as error:
        raise TokenError("signature", 401, "invalid_token", claimed=claimed) from error
    who = str(signed.get("sub", ""))[:MAX_CLAIMED_CHARS]
    try:
        jwt.decode(
            token,
            public,
            algorithms=[algorithm],
            audience=rules.audience,
            issuer=rules.issuer,
            leeway=LEEWAY_S,
            options={"require": list(REQUIRED)},
        )
    except jwt.PyJWTError as error:
        raise TokenError(_name(error), 401, "invalid_token", who=who) from error
    methods = _read_methods(signed.get("amr"))
    if rules.second_factor and not has_second_factor(methods):
        raise TokenError("second_factor", 401, "insufficient_user_authentication", who=who)  # RFC 9470 section 3
    return Bearer(who, methods)


_UNCHECKED: Any = {f"verify_{claim}": False for claim in ("exp", "nbf", "iat", "aud", "iss", "sub", "jti")}
"""The signature alone: so that a refusal for another reason can say whose token it was."""
_REASONS: tuple[tuple[type[Exception], str], ...] = (
    (jwt.ExpiredSignatureError, "expired"),
    (jwt.ImmatureSignatureError, "not_yet"),
    (jwt.InvalidIssuerError, "issuer"),
    (jwt.InvalidAudienceError, "audience"),
)


def has_second_factor(methods: tuple[str, ...]) -> bool:
    """Say whether methods tell of more than one factor: two kinds, or ``mfa`` itself (RFC 8176 section 2)."""
    return "mfa" in methods or len({FACTORS[method] for method in methods if method in FACTORS}) > 1


def _read_methods(given: object) -> tuple[str, ...]:
    return tuple(str(method) for method in given) if isinstance(given, list) else ()


def _read_claimed(token: str) -> str | None:
    """Return the subject that a token claims, unverified: for the log only."""
    try:
        claims = jwt.decode(token, options={"verify_signature": False})
    except jwt.PyJWTError:
        return None
    subject = claims.get("sub")
    return str(subject)[:MAX_CLAIMED_CHARS] if subject is not None else None


def _name(error: jwt.PyJWTError) -> str:
    return next((word for kind, word in _REASONS if isinstance(error, kind)), "claims")
