"""administration_from_hq_only: the operator gets in from where the profile says, and from nowhere else is there a door.

Tried are the ports of administration at every address of the router's that a place has a way to: from each client,
from HQ, and from outside of the first uplink. SSH (RFC 4253) is open where the profile opens it, and the operator's
key opens it from HQ; no other door is open to anybody. Each place first reaches something that is open to it, so that
silence means something. Not here: SNMP from inside (monitoring), all other ports (nothing_else_open).

Clauses of NIST SP 800-53 are from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from harness.checks._shared import HQ, find_address_for_hq, find_router_address
from harness.checks._vantages import (
    LABEL_WAN,
    SWEEP_TIMEOUT_S,
    WAN_ROUTES,
    ask_leases,
    ask_sweep,
    ask_wan,
    build_try,
    find_again,
    find_lease,
    find_wan,
    hand_out,
    is_in_tunnel,
    list_all_clients,
    list_router_addresses,
    read_outcomes,
)
from harness.core.entries import Check, Evidence, Example, Seen, Spoil, find_broken, hold, leave_open
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.references import OPERATOR_KEY, to_reference
from harness.core.sample import answered, build_plan
from harness.core.sections import Administration
from harness.stages._shared import LEASE_TIMEOUT_S, label_lease

NAME = "administration_from_hq_only"
SSH = "tcp/22"  # RFC 4253 section 4.1
SSH_PORT = 22
DOORS = (SSH, "tcp/23", "tcp/80", "tcp/443", "tcp/830", "tcp/8080", "tcp/8443")
"""SSH, Telnet, HTTP, HTTPS, NETCONF (RFC 6242), and where HTTP and HTTPS commonly go instead (IANA registry)."""
SNMP = "udp/161"  # no profile can open it to the outside
TRY_S = 10.0
LABEL_HQ = f"{NAME}.hq"


@dataclass(frozen=True, slots=True)
class _View:
    """Who tries (`place`: a segment, ``hq``, ``wan``), and at which of the router's addresses SSH is open to it."""

    node: str
    place: str
    addresses: tuple[str, ...]
    ssh_at: tuple[str, ...]
    control: tuple[str, str]

    @property
    def tries(self) -> tuple[tuple[str, str], ...]:
        services = (*DOORS, SNMP) if self.place == "wan" else DOORS
        return (self.control, *((address, service) for address in self.addresses for service in services))


def why_not(plan: Plan) -> str | None:
    if plan.branch.administration is None:
        return "the profile sets no administration"
    return None if list_all_clients(plan) else "no segment has a port with a client on it"


def _opens(plan: Plan, place: str) -> bool:
    administration = plan.branch.administration
    return administration is not None and place in administration.reach_from


def _list_views(plan: Plan, evidence: Evidence) -> tuple[_View, ...]:
    inside = tuple(address for address, _ in list_router_addresses(plan))
    for_hq = tuple(address for address, segment in list_router_addresses(plan) if is_in_tunnel(plan, segment))
    wan = find_wan(plan, evidence)
    views = []
    for client, segment in list_all_clients(plan):
        own = find_router_address(segment)
        if find_lease(evidence, client):
            addresses = (*inside, wan.address) if wan is not None else inside
            ssh_at = (own,) if _opens(plan, segment.name) else ()
            views.append(_View(client, segment.name, addresses, ssh_at, (own, "tcp/53")))
    if for_hq:
        views.append(_View(HQ, "hq", for_hq, for_hq if _opens(plan, "hq") else (), (for_hq[0], "icmp")))
    if wan is not None:
        views.append(_View(wan.node, "wan", (wan.address,), (), (wan.address, "icmp")))
    return tuple(views)


def _label(node: str) -> str:
    return f"{NAME}.{node}"


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    leases = ask_leases(plan, evidence)
    administration, target = plan.branch.administration, find_address_for_hq(plan)
    login = {
        "target": target,
        "port": SSH_PORT,
        "user": administration.user if administration else "",
        "key_pem": to_reference(OPERATOR_KEY),
        "timeout_s": TRY_S,
    }
    due = [Ask(HQ, "ssh", login, LABEL_HQ)] if target and _has_key_from_hq(plan) else []
    due.append(ask_wan(plan))
    if leases or evidence.find_answer(LABEL_WAN) is None:
        return (*due, *leases)
    views = _list_views(plan, evidence)
    again = find_again(plan)
    return (*due, *(ask_sweep(v.node, [build_try(*t) for t in v.tries], _label(v.node), again) for v in views))


def _has_key_from_hq(plan: Plan) -> bool:
    administration = plan.branch.administration
    return administration is not None and "hq" in administration.reach_from and "key" in administration.methods


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    found: list[Finding] = []
    if find_address_for_hq(plan) and _has_key_from_hq(plan):
        found.append(_judge_login(evidence))
    views = _list_views(plan, evidence)
    found += [_judge_view(evidence, view) for view in views]
    missing = [(c, f"{s.name} ({c})", "the client has no lease to try with") for c, s in list_all_clients(plan)]
    if find_wan(plan, evidence) is None:
        missing.append(("wan", "the far side of the uplink", "it never told the address that it gave the router"))
    for node, name, why in missing:
        if node not in {view.node for view in views}:
            found.append(leave_open(NAME, f"{name} finds no door but those stated", "none", f"nothing: {why}"))
    return tuple(found)


def _judge_login(evidence: Evidence) -> Finding:
    claim, expected = "the operator logs in from HQ with the run's key", "connected"
    broken = find_broken(evidence, NAME, claim, expected, LABEL_HQ)
    answer = evidence.find_answer(LABEL_HQ)
    if broken is not None or answer is None:
        return broken or leave_open(NAME, claim, expected, "nothing")
    seen = f"{answer.get('outcome') or answer.error}" + (f": {answer.get('detail')}" if answer.get("detail") else "")
    return hold(NAME, answer.get("outcome") == "connected", claim, expected, seen, [answer])


def _judge_view(evidence: Evidence, view: _View) -> Finding:
    claim = f"{view.place} ({view.node}) finds no door but those stated"
    expected = f"SSH open at {', '.join(view.ssh_at)}, nothing else" if view.ssh_at else "none open"
    answer = evidence.find_answer(_label(view.node))
    outcomes = read_outcomes(answer, len(view.tries))
    if outcomes is None:
        error = answer.error if answer is not None else "no answer"
        return leave_open(NAME, claim, expected, f"nothing: {error}", [answer])
    opened = {item for item, outcome in zip(view.tries, outcomes, strict=True) if outcome == "open"}
    stated = {(address, SSH) for address in view.ssh_at}
    wrong = [f"open: {_tell(item)}" for item in sorted(opened - stated - {view.control})]
    wrong += [f"not open: {_tell(item)}" for item in sorted(stated - opened)]
    if wrong:
        return hold(NAME, False, claim, expected, "; ".join(wrong[:8]), [answer])
    if view.control not in opened:
        return leave_open(NAME, claim, expected, f"nothing: not even {_tell(view.control)} answered", [answer])
    return hold(NAME, True, claim, expected, f"{len(view.tries) - 1} tries, {len(stated)} open as stated", [answer])


def _tell(item: tuple[str, str]) -> str:
    return f"{item[1]} at {item[0]}"


def spoils(plan: Plan) -> tuple[Spoil, ...]:
    """Open administration to each place that it is not open to."""
    administration = plan.branch.administration
    if administration is None:
        return ()

    def build(place: str) -> Spoil:
        def widen(config: dict[str, Any]) -> None:
            config["administration"]["reach_from"] = [*config["administration"]["reach_from"], place]

        return Spoil(f"administration is open to {place}", "administration.reach_from", widen)

    inside = dict.fromkeys(segment.name for _, segment in list_all_clients(plan))
    places = [*inside, *(["hq"] if find_address_for_hq(plan) else [])]
    return tuple(build(place) for place in places if place not in administration.reach_from)


CHECK = Check(
    name=NAME,
    order=40,
    title="The router is administered from where the profile says only",
    after="tunnel_up",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=LEASE_TIMEOUT_S + TRY_S + SWEEP_TIMEOUT_S,
    clauses=(
        "PCI DSS 4.0.1 1.4.2",
        "PCI DSS 4.0.1 2.2.4",
        "PCI DSS 4.0.1 2.2.7",
        "45 CFR 164.312(a)(1)",
        "45 CFR 164.312(d)",
        "NIST SP 800-53 AC-17",
        "NIST SP 800-53 CM-7",
        "NIST SP 800-53 IA-2",
    ),
    spoils=spoils,
)

_GIVEN = answered("carrier", LABEL_WAN, 1.5, hand_out(WAN_ROUTES))
_LEASES = {"client1": "10.20.10.100", "client2": "10.20.30.100", "client3": "10.20.30.101"}
_LOGIN = {"outcome": "connected", "host_key": "ssh-ed25519 AAAA", "detail": None}


def _example(
    opened: Sequence[tuple[str, str, str]] = (),
    shut: Sequence[tuple[str, str, str]] = (),
    *,
    login: dict[str, Any] | None = None,
    broken: str | None = None,
    cut: str = "",
    plan: Plan | None = None,
) -> tuple[Observation, ...]:
    """Return a run: what is open as stated is, but for `opened` and `shut` (who, address, service)."""
    leased = [answered(c, label_lease(c), 1.0, {"address": a}) for c, a in _LEASES.items()]
    seen: list[Observation] = [_GIVEN, *leased]
    seen.append(answered(HQ, LABEL_HQ, 2.0, None if broken else (login or _LOGIN), broken))
    evidence = Evidence(Seen(i, s) for i, s in enumerate(seen))
    for view in _list_views(plan or build_plan(), evidence):
        stated = {view.control, *((address, SSH) for address in view.ssh_at)}
        more = {(address, service) for node, address, service in opened if node == view.node}
        less = {(address, service) for node, address, service in shut if node == view.node}
        now = set() if view.node == cut else (stated | more) - less
        outcomes = ["open" if item in now else "silent" for item in view.tries]
        seen.append(answered(view.node, _label(view.node), 4.0, {"outcomes": outcomes}))
    return tuple(seen)


_STAFF_TOO = build_plan(administration=Administration("operator", ("hq", "staff")))

EXAMPLES = (
    Example("in from HQ, no door from anywhere else", "PASS", _example()),
    Example("in from HQ and from the staff", "PASS", _example(plan=_STAFF_TOO), _STAFF_TOO),
    Example("guests find the door open", "FAIL", _example([("client2", "10.20.30.1", SSH)])),
    Example("on another segment's address", "FAIL", _example([("client3", "10.20.10.1", SSH)])),
    Example("on the uplink's address, from inside", "FAIL", _example([("client1", "100.64.0.2", SSH)])),
    Example("from outside", "FAIL", _example([("carrier", "100.64.0.2", SSH)])),
    Example("HTTPS from HQ, which nobody stated", "FAIL", _example([(HQ, "10.20.10.1", "tcp/443")])),
    Example("the operator's key is not taken", "FAIL", _example(login={"outcome": "auth_failed"})),
    Example("no door from HQ", "FAIL", _example(shut=[(HQ, "10.20.10.1", SSH)])),
    Example("the probe breaks", "INCONCLUSIVE", _example(broken="ValueError: no key")),
    Example("a client is cut off", "INCONCLUSIVE", _example(cut="client2")),
    Example("nobody outside knows the router's address", "INCONCLUSIVE", _example()[1:]),
    Example("the profile sets no administration", "NOT_APPLICABLE", (), build_plan(administration=None)),
)
