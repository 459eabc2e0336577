"""What the agent is asked, from where, and what it must say, for the check `monitoring`. Layer: checks, pure.

Two kinds: *reads*, which the profile opens, and *tries*, which must get nothing. Objects: RFC 3418 section 2 (group
system), RFC 2863 section 6, RFC 4293, RFC 2790, RFC 3411 section 5, RFC 3414 section 5.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from harness.checks._shared import HQ, find_address_for_hq, find_router_address, list_clients
from harness.checks._vantages import find_wan
from harness.core.entries import Evidence
from harness.core.model import Plan
from harness.core.references import to_reference
from harness.core.sections import Monitoring, SnmpUser

SYSTEM = "1.3.6.1.2.1.1"
UP_TIME, CONTACT, NAME, LOCATION = (f"{SYSTEM}.{number}.0" for number in (3, 4, 5, 6))
OBJECTS = (
    NAME,
    "1.3.6.1.2.1.2.1.0",  # ifNumber
    "1.3.6.1.2.1.4.1.0",  # ipForwarding
    "1.3.6.1.2.1.25.1.1.0",  # hrSystemUptime
    "1.3.6.1.6.3.10.2.1.1.0",  # snmpEngineID
)
"""What an agent has, one of each group: read where it lies outside of the views."""
LAST_ARC = 4_294_967_295  # RFC 2578 section 3.5: sub-identifiers go to 2^32-1
NOBODY = "nobody-of-this-name"
INITIAL = "initial"  # the user that RFC 3414 A.1 would have an agent come with
WRONG_KEY = "no key of this router"
WRITTEN = "written by nobody"
COMMUNITIES = ("public", "private")  # what agents come with: common practice, no source
WEAKEST = "sha"

Result = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Place:
    """From where the agent is asked: the node there, and the router's addresses that it can try."""

    name: str
    node: str
    targets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Request:
    """One request. `holds` judges what came; `what` says what is asked, `expected` what must come."""

    what: str
    expected: str
    args: Mapping[str, Any]
    holds: Callable[[Result], bool]


# ---------------------------------------------------------------- places


def list_open(plan: Plan) -> tuple[Place, ...]:
    """Return the places from which the profile opens monitoring, headquarters first."""
    monitoring, address = plan.branch.monitoring, find_address_for_hq(plan)
    if monitoring is None:
        return ()
    hq = (Place("hq", HQ, (address,)),) if "hq" in monitoring.reach_from and address else ()
    segments = [(client, s) for client, s in list_clients(plan) if s.name in monitoring.reach_from]
    return (*hq, *(Place(s.name, client, (find_router_address(s),)) for client, s in segments))


def list_shut(plan: Plan, evidence: Evidence) -> tuple[Place, ...]:
    """Return every other place; outside of the uplink once it is known where that is."""
    monitoring, for_hq = plan.branch.monitoring, find_address_for_hq(plan)
    if monitoring is None:
        return ()
    found = [Place("hq", HQ, (for_hq,))] if "hq" not in monitoring.reach_from and for_hq else []
    for client, segment in list_clients(plan):
        if segment.name not in monitoring.reach_from:
            own = find_router_address(segment)
            found.append(Place(segment.name, client, (own, for_hq) if for_hq and for_hq != own else (own,)))
    wan = find_wan(plan, evidence)
    return (*found, *((Place("wan", wan.node, (wan.address,)),) if wan else ()))


# ---------------------------------------------------------------- reads


def is_in(oid: Any, views: tuple[str, ...]) -> bool:
    """Say whether an object lies under one of the views."""
    return any(str(oid) == view or str(oid).startswith(f"{view}.") for view in views)


def list_reads(plan: Plan, user: SnmpUser) -> tuple[Request, ...]:
    """Return what the user must be given."""
    monitoring = _get(plan)
    first = [_read_first(user, view) for view in monitoring.views]
    texts = (
        (NAME, "sysName", plan.branch.hostname),
        (CONTACT, "sysContact", monitoring.contact),
        (LOCATION, "sysLocation", monitoring.location),
    )
    known = [
        Request(word, text, with_keys(user, oid=oid), lambda r, text=text: r.get("value") == text)  # type: ignore[misc]
        for oid, word, text in texts
        if is_in(oid, monitoring.views)
    ]
    if is_in(UP_TIME, monitoring.views):
        known.append(Request("sysUpTime", "above 0", with_keys(user, oid=UP_TIME), _runs))
    return (*first, *known)


def _read_first(user: SnmpUser, view: str) -> Request:
    return Request(
        f"the first under {view}",
        f"an object under {view}",
        with_keys(user, op="next", oid=view),
        lambda r: r.get("outcome") == "value" and is_in(r.get("oid"), (view,)),
    )


def _runs(result: Result) -> bool:
    value = str(result.get("value"))
    return value.isdecimal() and int(value) > 0


# ---------------------------------------------------------------- tries


def list_outside(plan: Plan, user: SnmpUser) -> tuple[Request, ...]:
    """Return requests for what lies outside of the views. Walking on from before the first view and from behind each
    one leads to the first object of every gap between them."""
    views = _get(plan).views

    def is_within(result: Result) -> bool:
        return is_nothing(result) or (result.get("outcome") == "value" and is_in(result.get("oid"), views))

    hidden = [oid for oid in OBJECTS if not is_in(oid, views)]
    gets = [Request(f"get {oid}", "nothing", with_keys(user, oid=oid), is_nothing) for oid in hidden]
    starts = ("0.0", *(f"{view}.{LAST_ARC}" for view in views))
    walks = [
        Request(f"next of {oid}", "an object of the views", with_keys(user, op="next", oid=oid), is_within)
        for oid in starts
    ]
    return (*gets, *walks)


def list_weak(plan: Plan, user: SnmpUser) -> tuple[Request, ...]:
    """Return requests of the user with less than both right keys."""
    oid = find_readable(plan)
    kinds: list[tuple[str, dict[str, Any]]] = [
        ("without authentication", {"level": "noAuthNoPriv"}),
        ("without encryption", {"level": "authNoPriv"}),
        ("with a wrong key for authentication", {"auth_key": WRONG_KEY}),
        ("with a wrong key for encryption", {"priv_key": WRONG_KEY}),
    ]
    if user.auth != WEAKEST:
        kinds.append(("with authentication by SHA-1", {"auth": WEAKEST}))
    return tuple(_try(what, {**with_keys(user, **oid), **args}) for what, args in kinds)


def list_writes(plan: Plan, user: SnmpUser) -> tuple[Request, ...]:
    """Return what the user must not write."""
    return (_try("set sysContact", with_keys(user, op="set", oid=CONTACT, value=WRITTEN)),)


def list_strange(plan: Plan) -> tuple[Request, ...]:
    """Return requests by nobody that the profile knows."""
    oid, users = find_readable(plan), _get(plan).users
    plain = [
        _try(f"{version}, community {word}", {**oid, "version": version, "community": word})
        for version in ("v1", "v2c")
        for word in COMMUNITIES
    ]
    known = {user.name for user in users}
    names = [name for name in (INITIAL, NOBODY) if name not in known]
    args = [(name, {**oid, "user": name, "level": "noAuthNoPriv"}) for name in names]
    return (*plain, *(Request(f"user {n}", "no such user", a, _is_unknown) for n, a in args))


def list_knocks(plan: Plan, place: Place) -> tuple[Request, ...]:
    """Return what a place that is shut tries: the right keys, and a community. Nothing at all must come back."""
    oid = find_readable(plan)
    found = []
    for target in place.targets:
        keys = [(f"user {u.name} at {target}", with_keys(u, **oid)) for u in _get(plan).users]
        plain = (f"community {COMMUNITIES[0]} at {target}", {**oid, "version": "v2c", "community": COMMUNITIES[0]})
        found += [Request(what, "silence", {**args, "target": target}, _is_silent) for what, args in (*keys, plain)]
    return tuple(found)


def find_readable(plan: Plan) -> dict[str, Any]:
    """Return a request for something that the users may read."""
    views = _get(plan).views
    return {"oid": NAME} if is_in(NAME, views) else {"op": "next", "oid": views[0]}


def with_keys(user: SnmpUser, **args: Any) -> dict[str, Any]:
    """Return a request with all that the user has to show."""
    own = {"user": user.name, "auth": user.auth, "priv": user.priv}
    return {**own, "auth_key": to_reference(user.auth_key), "priv_key": to_reference(user.priv_key), **args}


REFUSALS = ("timeout", "wrong_digest", "unknown_user", "decryption_error", "no_such_object")


def is_nothing(result: Result) -> bool:
    """Say whether an answer gives nothing away: none, a report of RFC 3414 section 3.2, an error of RFC 3416."""
    outcome = str(result.get("outcome"))
    return outcome in REFUSALS or outcome.startswith("error_")


def is_known(result: Result) -> bool:
    """Say whether an outcome has a meaning here; any other is the probe's own trouble."""
    return result.get("outcome") == "value" or is_nothing(result)


def _is_unknown(result: Result) -> bool:
    return result.get("outcome") in ("unknown_user", "timeout")


def _is_silent(result: Result) -> bool:
    return result.get("outcome") == "timeout"


def _try(what: str, args: Mapping[str, Any]) -> Request:
    return Request(what, "nothing", args, is_nothing)


def _get(plan: Plan) -> Monitoring:
    if plan.branch.monitoring is None:
        raise ValueError("the plan has no monitoring")
    return plan.branch.monitoring
