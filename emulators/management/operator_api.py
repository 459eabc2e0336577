"""The management server's interface for operators: HTTPS on a port of its own. Layer: stand-in, I/O (aiohttp).

    GET  /restconf/data/branch-operators:devices                  every device of the inventory, and its state
    GET  /restconf/data/branch-operators:devices/device=SERIAL    one of them
    POST /restconf/operations/branch-operators:hold               give the device no configuration for now
    POST /restconf/operations/branch-operators:release            give it again

The paths are our own, in the style of RFC 8040. Each request needs a bearer token (operator_tokens.py); each, taken or
refused, is one entry of the audit log (operator_audit.py), whose number the answer names in ``Audit-Number``, and one
event. The rules can be set anew while it serves; with none, nobody is let in.
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from aiohttp import web

from emulators.common.controls import Operators
from emulators.common.record import from_json
from emulators.common.service import Console
from emulators.management.machine import ManagementMachine
from emulators.management.operator_audit import AUDIT_FILE, AuditLog
from emulators.management.operator_keys import KeysError, KeySource
from emulators.management.operator_tokens import Bearer, TokenError, read_key_id, read_token, verify
from emulators.management.restconf import (
    MAX_BODY_BYTES,
    OPERATIONS,
    ROOT,
    Response,
    RestconfError,
    render_error,
    render_json,
)

MODULE = "branch-operators"
DEVICES = f"{ROOT}/data/{MODULE}:devices"
REALM = "branch operators"


@dataclass(frozen=True, slots=True)
class Trust:
    """What the server needs to ask the issuer for its keys."""

    ca_pem: str
    name_servers: tuple[str, ...]


def build_trust(settings: Mapping[str, Any]) -> Trust:
    """Read the seed's settings."""
    return Trust(settings["issuer_ca_pem"], tuple(settings["name_servers"]))


class OperatorApi:
    """The web application, and the rules that it goes by."""

    def __init__(
        self, console: Console, machine: ManagementMachine, trust: Trust, audit_file: Path = AUDIT_FILE
    ) -> None:
        self._console, self._machine, self._trust = console, machine, trust
        self._audit = AuditLog(audit_file)
        self._rules: Operators | None = None
        self._keys: KeySource | None = None

    def set_rules(self, operators: dict[str, Any] | None) -> None:
        """Go by other rules from now on; None: nobody is let in. Raises: RecordError."""
        rules = None if operators is None else from_json(Operators, operators)
        self._keys = KeySource(rules.issuer, self._trust.ca_pem, self._trust.name_servers) if rules else None
        self._rules = rules

    def build_app(self) -> web.Application:
        app = web.Application(client_max_size=MAX_BODY_BYTES)
        app.router.add_route("*", "/{path:.*}", self._serve)
        return app

    async def _serve(self, request: web.Request) -> web.StreamResponse:
        kind = "operator.acted"
        facts: dict[str, Any] = {"who": None, "from": request.remote, "action": f"{request.method} {request.path}"}
        facts["object"] = request.path
        try:
            bearer = await self._authenticate(request)
            facts["who"] = bearer.subject
            target, answer = await self._act(request)
            facts["object"] = target or request.path
            facts |= {"outcome": "success", "status": answer.status}
            response = web.Response(status=answer.status, body=answer.body or None, headers=answer.headers)
        except TokenError as error:
            kind = "operator.refused"
            said = RestconfError(error.status, "access-denied", f"{error.reason}: no access for operators", "protocol")
            facts |= {"who": error.who, "claimed": error.claimed, "outcome": "failure", "reason": error.reason}
            response = _answer(said, {"WWW-Authenticate": _challenge(error)})
            facts["status"] = response.status
        except RestconfError as error:
            facts |= {"outcome": "failure", "reason": error.tag, "status": error.status}
            response = _answer(error, {})
        number = self._audit.append(time.time(), **facts)
        self._console.emit(kind, number=number, subject=facts.pop("who"), origin=facts.pop("from"), **facts)
        response.headers["Audit-Number"] = str(number)
        return response

    async def _authenticate(self, request: web.Request) -> Bearer:
        rules, keys = self._rules, self._keys
        if rules is None or keys is None:
            raise TokenError("no_operators", 403, None)
        token = read_token(request.headers.getall("Authorization", []), request.query)
        try:
            key = await keys.find(read_key_id(token))
        except KeysError as error:
            raise TokenError("keys_unavailable", 503, None) from error
        return verify(token, key, rules)

    async def _act(self, request: web.Request) -> tuple[str | None, Response]:
        """Do what is asked. Returns the serial that it was done to (None: all) and the answer.

        Raises: RestconfError.
        """
        path = request.path
        if path == DEVICES or path.startswith(f"{DEVICES}/device="):
            _check_method(request, "GET")
            serial = path.removeprefix(DEVICES).removeprefix("/device=") or None
            listed = [self._describe(serial)] if serial else [self._describe(s) for s in self._machine.list_serials()]
            member = {f"{MODULE}:device": listed} if serial else {f"{MODULE}:devices": {"device": listed}}
            return serial, render_json(member)
        operation = path.removeprefix(f"{OPERATIONS}/{MODULE}:")
        if operation not in ("hold", "release"):
            raise RestconfError(404, "invalid-value", f"no resource {path}", "protocol")
        _check_method(request, "POST")
        serial = _read_serial(await request.read())
        self._describe(serial)
        self._machine.hold(serial, held=operation == "hold")
        return serial, Response(204)

    def _describe(self, serial: str) -> dict[str, Any]:
        found = self._machine.describe(serial)
        if found is None:
            raise RestconfError(404, "invalid-value", f"no device {serial}")
        return found


def _read_serial(body: bytes) -> str:
    try:
        given = json.loads(body)[f"{MODULE}:input"]["serial"]
    except (ValueError, KeyError, TypeError) as error:
        raise RestconfError(400, "malformed-message", f"expected {MODULE}:input with a serial", "protocol") from error
    return str(given)


def _check_method(request: web.Request, allowed: str) -> None:
    if request.method != allowed:
        raise RestconfError(405, "operation-not-supported", f"{request.method} is not for this resource", "protocol")


def _challenge(error: TokenError) -> str:
    """Return the challenge (RFC 6750 section 3): no code where no token came."""
    code = f', error="{error.error}", error_description="{error.reason}"' if error.error else ""
    return f'Bearer realm="{REALM}"{code}'


def _answer(error: RestconfError, headers: dict[str, str]) -> web.Response:
    rendered = render_error(error, headers)
    return web.Response(status=rendered.status, body=rendered.body, headers=rendered.headers)
