"""passwords: the device takes new passwords by the profile's rules, and lets nobody in by one that came with it.

One trial (the probe ``password_trial``) logs in with the first password, offers passwords on both sides of each rule to
the device's own change command, and tries what everybody would try first. The plan names shapes, never passwords, so no
password stands on a tape; each that is refused differs in one thing from one that is taken, so a device that refuses
all does not pass. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from emulators.common.controls import Passwords
from harness.checks._log_ins import build_account, find_reason, get_administration
from harness.checks._password_offers import (
    Offer,
    list_defaults,
    list_refused,
    list_reused,
    list_taken,
)
from harness.checks._shared import HQ
from harness.core.entries import Answer, Check, Evidence, Example, Spoil, find_broken, hold, leave_open
from harness.core.model import Ask, Finding, Observation, Plan
from harness.core.sample import answered, build_plan
from harness.core.sections import Administration

NAME = LABEL = "passwords"
TIMEOUT_S = 90.0


def why_not(plan: Plan) -> str | None:
    reason = find_reason(plan)
    if reason is not None:
        return reason
    administration = get_administration(plan)
    if "password" not in administration.methods:
        return "the profile lets nobody in by password"
    return None if administration.passwords else "the profile sets no rules for passwords"


def _get_rules(plan: Plan) -> Passwords:
    rules = get_administration(plan).passwords
    if rules is None:
        raise ValueError("expected rules for passwords in the plan, saw none")
    return rules


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    administration, rules = get_administration(plan), _get_rules(plan)
    args = {
        **build_account(plan),
        "refused": [offer.args for offer in list_refused(rules)],
        "taken": [offer.args for offer in list_taken(rules)],
        "reused": [offer.args for offer in list_reused(rules)],
        "defaults": list_defaults(administration.user),
        "failures": administration.lockout.failures if administration.lockout else None,
    }
    return (Ask(HQ, "password_trial", args, LABEL),)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    claim = "the first password opens nothing but its change"
    broken = find_broken(evidence, NAME, claim, "a trial", LABEL)
    answer = evidence.find_answer(LABEL)
    if broken is not None or answer is None or not answer.ok:
        return (broken or leave_open(NAME, claim, "a trial", "nothing: the trial did not end", [answer]),)
    first = answer.get("first")
    if first != "connected":
        return (hold(NAME, False, claim, "connected, for the change alone", f"{first}", [answer]),)
    rules = _get_rules(plan)
    return (
        _judge_first(answer, claim),
        *_judge_offers(answer, "refused", list_refused(rules)),
        *_judge_offers(answer, "taken", list_taken(rules)),
        *_judge_offers(answer, "reused", list_reused(rules)),
        *_judge_log_ins(plan, answer),
    )


def _judge_first(answer: Answer, claim: str) -> Finding:
    before, after = _ran(answer.get("first_runs")), _ran(answer.get("changed_runs"))
    expected = "a command is refused before the change, and runs after it"
    seen = f"before: {_say(before)}; after: {_say(after)}"
    if before is not True and after is not False and None in (before, after):
        return leave_open(NAME, claim, expected, seen, [answer])
    return hold(NAME, before is False and after is True, claim, expected, seen, [answer])


def _ran(done: Any) -> bool | None:
    """Say whether ``id`` ran; None: it is not known."""
    status = done.get("exit_status") if isinstance(done, dict) else None
    if status is None:
        return None
    return status == 0 or "uid=" in str(done.get("output"))


def _say(ran: bool | None) -> str:
    return {True: "it ran", False: "it was refused", None: "no answer"}[ran]


def _judge_offers(answer: Answer, group: str, offers: tuple[Offer, ...]) -> Iterator[Finding]:
    found = answer.get(group)
    for offer in offers:
        seen = found.get(offer.name) if isinstance(found, dict) else None
        yield _judge_offer(answer, offer, seen if isinstance(seen, dict) else {})


def _judge_offer(answer: Answer, offer: Offer, seen: dict[str, Any]) -> Finding:
    expected = "taken" if offer.is_taken else "refused"
    took, word = seen.get("ok"), seen.get("word")
    if took not in (True, False) or word in ("wrong_old", "not_understood", "must_change"):
        text = f"the offer did not come to be judged: {word or 'no answer'}"
        return leave_open(NAME, offer.claim, expected, text, [answer])
    text = "taken" if took else f"refused: {seen.get('reason')}"
    return hold(NAME, took is offer.is_taken, offer.claim, expected, text, [answer])


def _judge_log_ins(plan: Plan, answer: Answer) -> Iterator[Finding]:
    found, right = answer.get("log_ins"), answer.get("right")
    outcomes = dict(found) if isinstance(found, dict) else {}
    cut = outcomes.pop("cut", None)
    yield _judge_refusals(
        answer, "a password counts to its last character", {"one character short": cut}, f"{right}"
    )  # fmt: skip
    names = ["first", *(f"{user}/{word}" for user, word in list_defaults(get_administration(plan).user))]
    claim = "neither the first password, once changed, nor what everybody tries first gets in"
    yield _judge_refusals(answer, claim, {name: outcomes.get(name) for name in names}, f"{right}")


def _judge_refusals(answer: Answer, claim: str, outcomes: dict[str, Any], right: str) -> Finding:
    """Judge log-ins that must fail, where the right one does not: only then do they show anything."""
    expected = "auth_failed, while the right password is connected"
    seen = ", ".join(f"{name}: {outcome}" for name, outcome in outcomes.items()) + f"; the right one: {right}"
    if "connected" in outcomes.values() or right == "auth_failed":
        return hold(NAME, False, claim, expected, seen, [answer])
    if right != "connected" or set(outcomes.values()) != {"auth_failed"}:
        return leave_open(NAME, claim, expected, seen, [answer])
    return hold(NAME, True, claim, expected, seen, [answer])


def find_spoils(plan: Plan) -> tuple[Spoil, ...]:
    rules = _get_rules(plan)
    spoils = [_spoil("passwords may be one character shorter", "least", rules.least - 1)] if rules.least > 1 else []
    for kind in rules.needs:
        rest = [each for each in rules.needs if each != kind]
        spoils.append(_spoil(f"passwords need no {kind}", "needs", rest))
    if rules.refuse_last:
        spoils.append(_spoil("one earlier password less is refused", "refuse_last", rules.refuse_last - 1))
    if rules.refuse_common:
        spoils.append(_spoil("common words are taken", "refuse_common", False))
    if rules.most > rules.least:
        spoils.append(_spoil("long passwords are not taken", "most", rules.most - 1))
    return tuple(spoils)


def _spoil(title: str, key: str, value: Any) -> Spoil:
    def change(config: dict[str, Any]) -> None:
        config["administration"]["passwords"][key] = value

    return Spoil(title, f"administration.passwords.{key}", change)


def bears_on(plan: Plan, clause: str) -> bool:
    """PCI DSS 4.0.1 8.3.6 asks for 12 characters with letters and digits, 8.3.7 for none of the last four: a policy
    that asks for less is no evidence for them."""
    rules = plan.branch.administration.passwords if plan.branch.administration else None
    if clause == "PCI DSS 4.0.1 8.3.6":
        return rules is not None and rules.least >= 12 and {"letter", "digit"} <= set(rules.needs)
    if clause == "PCI DSS 4.0.1 8.3.7":
        return rules is not None and rules.refuse_last >= 4
    return True


CHECK = Check(
    name=NAME,
    order=120,
    title="Passwords are changed at first use, and keep the rules",
    after="hq_reached",
    why_not=why_not,
    actions=act,
    judge=judge,
    timeout_s=TIMEOUT_S,
    disturbs=True,
    clauses=(
        "PCI DSS 4.0.1 2.2.2",
        "PCI DSS 4.0.1 8.3.5",
        "PCI DSS 4.0.1 8.3.6",
        "PCI DSS 4.0.1 8.3.7",
        "45 CFR 164.312(d)",
        "NIST SP 800-53 IA-5(1)",
    ),
    bears_on=bears_on,
    spoils=find_spoils,
)

_RULES = Passwords("pci-dss-4", 12, 64, ("letter", "digit"), 4, True)
_FREE = Passwords("nist-sp-800-63b", 8, 64, (), 0, True)


def _plan(rules: Passwords) -> Plan:
    return build_plan(administration=Administration("operator", ("hq",), ("key", "password"), None, rules))


def _trial(rules: Passwords = _RULES, spoiled: dict[str, Any] | None = None, **changes: Any) -> tuple[Observation, ...]:
    """Return a trial in which all was as it should be, but for `spoiled` (offers by name) and `changes`."""

    def answer(offers: tuple[Offer, ...]) -> dict[str, Any]:
        return {
            o.name: {"ok": o.is_taken, "word": None, "reason": None} | (spoiled or {}).get(o.name, {}) for o in offers
        }

    names = ["first", "cut", *(f"{user}/{word}" for user, word in list_defaults("operator"))]
    seen = {
        "first": "connected",
        "first_runs": {"exit_status": 1, "output": '{"ok": false, "word": "must_change"}'},
        "refused": answer(list_refused(rules)),
        "taken": answer(list_taken(rules)),
        "changed_runs": {"exit_status": 0, "output": "uid=1000(operator)"},
        "right": "connected",
        "log_ins": dict.fromkeys(names, "auth_failed"),
        "reused": answer(list_reused(rules)),
    }
    return (answered(HQ, LABEL, 7.0, {**seen, **changes}),)


def _log_ins(**outcomes: str) -> dict[str, str]:
    names = ["first", "cut", *(f"{user}/{word}" for user, word in list_defaults("operator"))]
    return dict.fromkeys(names, "auth_failed") | outcomes


_BY_KEY = build_plan(administration=Administration("operator", ("hq",)))
_TAKEN, _REFUSED = {"ok": True}, {"ok": False, "word": "too_long"}
EXAMPLES = (
    Example("every rule is kept", "PASS", _trial(), _plan(_RULES)),
    Example("rules without kinds of character are kept", "PASS", _trial(_FREE), _plan(_FREE)),
    Example("one character less is taken", "FAIL", _trial(spoiled={"short": _TAKEN}), _plan(_RULES)),
    Example("letters alone are taken", "FAIL", _trial(spoiled={"no_digit": _TAKEN}), _plan(_RULES)),
    Example("a common word is taken", "FAIL", _trial(spoiled={"common": _TAKEN}), _plan(_RULES)),
    Example("the fourth last is taken again", "FAIL", _trial(spoiled={"last_4": _TAKEN}), _plan(_RULES)),
    Example("a device that refuses every password", "FAIL", _trial(spoiled={"least": _REFUSED}), _plan(_RULES)),
    Example("the longest is not taken", "FAIL", _trial(spoiled={"most": _REFUSED}), _plan(_RULES)),
    Example("octets are counted, not characters", "FAIL", _trial(_FREE, {"short_unicode": _TAKEN}), _plan(_FREE)),
    Example(
        "the first password opens everything",
        "FAIL",
        _trial(first_runs={"exit_status": 0, "output": "uid=1000(operator)"}),
        _plan(_RULES),
    ),
    Example("nobody knows whether a command ran", "INCONCLUSIVE", _trial(first_runs={}), _plan(_RULES)),
    Example("the first password is not taken at all", "FAIL", _trial(first="auth_failed"), _plan(_RULES)),
    Example("it still opens after the change", "FAIL", _trial(log_ins=_log_ins(first="connected")), _plan(_RULES)),
    Example("a password is cut off", "FAIL", _trial(log_ins=_log_ins(cut="connected")), _plan(_RULES)),
    Example("root's is root", "FAIL", _trial(log_ins=_log_ins(**{"root/root": "connected"})), _plan(_RULES)),
    Example(
        "all is silence, so nothing is shown",
        "INCONCLUSIVE",
        _trial(log_ins=dict.fromkeys(_log_ins(), "silent"), right="silent"),
        _plan(_RULES),
    ),
    Example("an offer is lost", "INCONCLUSIVE", _trial(spoiled={"short": {"ok": None}}), _plan(_RULES)),
    Example("the probe breaks", "INCONCLUSIVE", (answered(HQ, LABEL, 7.0, None, "ProbeError: no"),), _plan(_RULES)),
    Example("the profile lets nobody in by password", "NOT_APPLICABLE", (), _BY_KEY),
)
