"""What a bootstrap server (RFC 8572) answers a device, and what it witnesses of it. Layer: stand-in, pure.

    certificate --> serial, MAC --> inventory record --> owner and profile of this server --> RPC

    no certificate                        401 access-denied
    serial not in the inventory           404 invalid-value       (a device never claimed looks like one never made)
    MAC, owner or profile differ          403 access-denied
    otherwise                             the RPC; everything a device reports is kept

Laws: conveyed information and configuration never enter an event. Not here: HTTP, TLS, images (main.py, ranges.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from typing import Any

from emulators.common.record import from_json
from emulators.common.yang_json import GET_DATA, OUTPUT, REPORT, YangError, encode_binary
from emulators.management import restconf
from emulators.management.identity import Identity, IdentityError, read_identity
from emulators.management.render import Offer
from emulators.management.restconf import Request, Response, RestconfError

HEARTBEAT = "informational"  # RFC 8572 §7.3: "for any additional information"
MAX_MESSAGE_CHARS = 2000  # of a device's message in an event


@dataclass(frozen=True, slots=True)
class InventoryEntry:
    serial: str
    mac: str
    owner: str
    profile: str


@dataclass(frozen=True, slots=True)
class Event:
    kind: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Exchange:
    """The answer to one request, and what was seen in it."""

    response: Response
    events: tuple[Event, ...]


@dataclass(slots=True)
class Claim:
    """What this server knows of one device so far."""

    requests: int = 0
    reports: list[str] = field(default_factory=list)


class ManagementMachine:
    """The bootstrap server's mind. Feed it requests; it never waits and never looks at a clock."""

    def __init__(self, inventory: tuple[InventoryEntry, ...], owner: str, profile: str, offer: Offer) -> None:
        self._inventory = {entry.serial: entry for entry in inventory}
        self._owner, self._profile, self._offer = owner, profile, offer
        self.claims: dict[str, Claim] = {}
        self._held: set[str] = set()

    def know(self, inventory: tuple[InventoryEntry, ...]) -> None:
        """Go by another inventory from now on."""
        self._inventory = {entry.serial: entry for entry in inventory}

    def list_serials(self) -> tuple[str, ...]:
        """Return the serials of the inventory."""
        return tuple(self._inventory)

    def describe(self, serial: str) -> dict[str, Any] | None:
        """Return what is known of a device, or None where it is not in the inventory."""
        entry = self._inventory.get(serial)
        if entry is None:
            return None
        claim = self.claims.get(serial, Claim())
        last = claim.reports[-1] if claim.reports else None
        known = {"serial": serial, "owner": entry.owner, "profile": entry.profile, "held": serial in self._held}
        return {**known, "requests": claim.requests, "last-report": last}

    def hold(self, serial: str, *, held: bool) -> None:
        """Give a device no bootstrapping data from now on, or give it again."""
        (self._held.add if held else self._held.discard)(serial)

    def release_all(self) -> None:
        """Hold no device any more."""
        self._held.clear()

    @property
    def offer(self) -> Offer:
        """What is served."""
        return self._offer

    def serve(self, offer: Offer) -> None:
        """Serve another configuration from now on."""
        self._offer = offer

    def handle(self, request: Request, now_s: float) -> Exchange:
        """Answer one request. `now_s`: true time, seconds since 1970."""
        events: list[Event] = []
        serial: str | None = None
        try:
            identity = self._read_identity(request)
            serial = identity.serial if identity else None
            response, summary = self._route(request, identity, now_s, events)
        except RestconfError as error:
            headers = {"Allow": error.message.rpartition(" ")[2]} if error.status == 405 else None
            response, summary = restconf.render_error(error, headers), error.message
            if error.tag == "access-denied" or error.status == 404:
                events.append(Event("session.refused", {"reason": error.message, "serial": serial}))
        except YangError as error:
            failed = RestconfError(400, error.tag, str(error), "protocol")
            response, summary = restconf.render_error(failed), str(error)
        facts = {"method": request.method, "path": request.path, "status": response.status, "serial": serial}
        seen = Event("restconf.exchanged", {**facts, "summary": summary, "error_tag": response.error_tag})
        return Exchange(response, (seen, *events))

    def _read_identity(self, request: Request) -> Identity | None:
        if request.certificate_der is None:
            return None
        try:
            return read_identity(request.certificate_der)
        except IdentityError as error:
            raise RestconfError(401, "access-denied", f"client certificate: {error}", "protocol") from error

    def _route(
        self, request: Request, identity: Identity | None, now_s: float, events: list[Event]
    ) -> tuple[Response, str]:
        if request.path == restconf.HOST_META:
            _check_method(request, "GET")
            return restconf.render_host_meta(), "root resource"
        known = request.path == restconf.ROOT or request.path.startswith(f"{restconf.ROOT}/")
        if not known:
            raise RestconfError(404, "invalid-value", f"no resource {request.path}", "protocol")
        entry = self._authorise(identity)
        operation = request.path.removeprefix(f"{restconf.OPERATIONS}/")
        if operation not in (GET_DATA, REPORT):
            return self._get_root(request)
        _check_method(request, "POST")
        note = " (pre-standard media type)" if restconf.check_media_types(request.headers, bool(request.body)) else ""
        members = restconf.parse_input(request.body)
        if operation == GET_DATA:
            response, summary = self._give_data(entry, members, events)
        else:
            response, summary = self._take_report(entry, members, _find_skew(request, now_s), events)
        return response, summary + note

    def _get_root(self, request: Request) -> tuple[Response, str]:
        response = restconf.render_root(request.path)
        if response is None:
            raise RestconfError(404, "invalid-value", f"no resource {request.path}", "protocol")
        _check_method(request, "GET")
        restconf.check_media_types(request.headers, False)
        return response, "API resource"

    def _authorise(self, identity: Identity | None) -> InventoryEntry:
        if identity is None:
            raise RestconfError(401, "access-denied", "no client certificate", "protocol")
        entry = self._inventory.get(identity.serial)
        if entry is None:
            raise RestconfError(404, "invalid-value", f"no bootstrapping data for device {identity.serial}")
        for what, expected, seen in (
            ("MAC address", entry.mac.lower(), identity.mac),
            ("owner", self._owner, entry.owner),
            ("profile", self._profile, entry.profile),
        ):
            if expected != seen:
                message = f"device {entry.serial}: expected {what} {expected}, saw {seen}"
                raise RestconfError(403, "access-denied", message)
        return entry

    def _give_data(
        self, entry: InventoryEntry, members: Mapping[str, Any], events: list[Event]
    ) -> tuple[Response, str]:
        restconf.check_data_request(members)
        if "signed-data-preferred" in members:
            # RFC 8572 §7.3: then only signed data or a redirect may be returned, and this server signs nothing
            raise RestconfError(404, "invalid-value", f"no signed bootstrapping data for device {entry.serial}")
        if entry.serial in self._held:
            raise RestconfError(409, "resource-denied", f"device {entry.serial} is held by an operator")
        claim = self.claims.setdefault(entry.serial, Claim())
        claim.requests += 1
        said = {key: members.get(key.replace("_", "-")) for key in ("os_name", "os_version", "hw_model")}
        events.append(Event("data.requested", {"serial": entry.serial, **said}))
        served = {"digest": self._offer.digest, "bytes": self._offer.configuration_bytes}
        events.append(Event("config.served", {"serial": entry.serial, **served}))
        output = {"reporting-level": "verbose", "conveyed-information": encode_binary(self._offer.artifact)}
        summary = f"request {claim.requests} of a device running {said['os_name']} {said['os_version']}"
        return restconf.render_json({OUTPUT: output}), summary

    def _take_report(
        self, entry: InventoryEntry, members: Mapping[str, Any], skew_s: float | None, events: list[Event]
    ) -> tuple[Response, str]:
        restconf.check_report(members)
        kind = members["progress-type"]
        claim = self.claims.setdefault(entry.serial, Claim())
        if claim.requests == 0 and kind != HEARTBEAT:
            # a report is about data that this server gave (RFC 8572 §5.6)
            raise RestconfError(412, "operation-failed", f"{kind} before get-bootstrapping-data", "rpc")
        claim.reports.append(kind)
        device = {"serial": entry.serial, "mac": entry.mac.lower(), "owner": entry.owner}
        message = members.get("message")
        message = message[:MAX_MESSAGE_CHARS] if message else message
        report = {"progress_type": kind, "message": message, "status": 204, "date_skew_s": skew_s}
        events.append(Event("report.received", {**device, **report}))
        if kind != HEARTBEAT:
            return Response(204), kind
        events.append(Event("heartbeat.received", {"serial": entry.serial}))
        # so that the device learns of another configuration without asking for all of it (RFC 8040 section 3.5.2)
        return Response(204, {"ETag": f'"{self._offer.digest}"'}), kind


def _check_method(request: Request, allowed: str) -> None:
    if request.method != allowed and not (allowed == "GET" and request.method == "HEAD"):
        message = f"{request.method} is not for this resource; it allows {allowed}"
        raise RestconfError(405, "operation-not-supported", message, "protocol")


def _find_skew(request: Request, now_s: float) -> float | None:
    """Return the device's HTTP Date less true time (RFC 9110 §6.6.1; whole seconds by nature), or None."""
    try:
        return round(parsedate_to_datetime(request.headers["date"]).timestamp() - now_s, 3)
    except (KeyError, ValueError, TypeError, OverflowError):
        return None


def load_machine(settings: Mapping[str, Any], offer: Offer) -> ManagementMachine:
    """Build the machine from the seed's settings. Raises: RecordError."""
    inventory = tuple(from_json(InventoryEntry, entry, "inventory") for entry in settings["inventory"])
    return ManagementMachine(inventory, settings["owner"], settings["profile"], offer)
