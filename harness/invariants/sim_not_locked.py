"""sim_not_locked: whatever happens, the device never spends a card's tries: one PIN at most, and no PUK ever."""

from __future__ import annotations

from collections.abc import Mapping

from harness.core.entries import Check, Evidence, Example, as_count, as_list, find_broken, hold
from harness.core.faults import BENCH
from harness.core.model import Ask, Finding, Plan
from harness.core.sample import answered

NAME = "sim_not_locked"
LABEL = f"{BENCH}cards"
CLAIM = "no card is locked by the device"
EXPECTED = "at most one wrong PIN a card, and all ten tries of its PUK"
PUK_TRIES = 10  # ETSI TS 102 221 clause 9.5


def act(plan: Plan, evidence: Evidence) -> tuple[Ask, ...]:
    return (Ask("router", "cards", {}, LABEL),)


def judge(plan: Plan, evidence: Evidence) -> tuple[Finding, ...]:
    broken = find_broken(evidence, NAME, CLAIM, EXPECTED, LABEL)
    if broken is not None:
        return (broken,)
    answer = evidence.find_answer(LABEL)
    assert answer is not None
    cards = [c for c in as_list(answer.get("cards")) if isinstance(c, Mapping)]
    told = "; ".join(_tell(c) for c in cards) or "no cards told of"
    safe = bool(cards) and all(_is_safe(c) for c in cards)
    return (hold(NAME, safe, CLAIM, EXPECTED, told, [answer]),)


def _is_safe(card: Mapping[str, object]) -> bool:
    untouched = as_count(card.get("puk_tries")) == PUK_TRIES and card.get("wrong_puks") == 0
    return untouched and card.get("wrong_pins") in (0, 1)


def _tell(card: Mapping[str, object]) -> str:
    wrong = f"{card.get('wrong_pins')} wrong PINs and {card.get('wrong_puks')} wrong PUKs"
    return f"slot {card.get('slot')}: {wrong} entered, {card.get('pin_tries')} and {card.get('puk_tries')} tries left"


INVARIANT = Check(
    name=NAME,
    order=10,
    title="The device locks no SIM card",
    after="hq_reached",
    why_not=lambda plan: None if "cellular" in plan.branch.uplinks else "the branch has no cellular uplink",
    judge=judge,
    timeout_s=10.0,
    actions=act,
)


def _card(**changes: int) -> dict[str, object]:
    card = {"slot": 1, "pin_tries": 3, "puk_tries": 10, "wrong_pins": 0, "wrong_puks": 0} | changes
    return {"cards": [card]}


EXAMPLES = (
    Example("all tries left", "PASS", (answered("router", LABEL, 50.0, _card()),)),
    Example("one wrong PIN", "PASS", (answered("router", LABEL, 50.0, _card(pin_tries=2, wrong_pins=1)),)),
    Example("locked before it came", "PASS", (answered("router", LABEL, 50.0, _card(pin_tries=0)),)),
    Example("a second wrong PIN", "FAIL", (answered("router", LABEL, 50.0, _card(pin_tries=1, wrong_pins=2)),)),
    Example("a PUK tried", "FAIL", (answered("router", LABEL, 50.0, _card(puk_tries=9, wrong_puks=1)),)),
    Example("no card told of", "FAIL", (answered("router", LABEL, 50.0, {"cards": []}),)),
)
