"""Dialler, modem and carrier: three real machines over fake wires, under a clock that jumps. No sockets, no sleeping.

Timers are those of TS 24.301 Table 10.2.1: T3410 15 s, T3411 10 s, T3402 12 min, attach attempt counter 5. Pauses of
the dialler double after every second one, from 10 s to 12 minutes: tries at 0, 10, 20, 40, 60, 100, 140, 220, 300, 460.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from emulators.carrier import machine as core
from emulators.common import radio
from emulators.common.identifiers import build_imei
from emulators.router.modem import nas
from emulators.router.modem.card import Card
from emulators.router.modem.machine import Modem, Note, Write
from emulators.router.runtime import dialler as d

IMSI, ICCID = "001010000000001", "8901001123456789015"
GOOD = d.ApnPlan("m2m.skerry.example")
PAP, CHAP = core.Credentials("pap", "ferry", "pier-7"), core.Credentials("chap", "ferry", "pier-7")


def subscriber(imsi: str = IMSI, auth: core.Credentials | None = None, **changes: Any) -> core.Subscriber:
    fields = {"active": True, "roaming_allowed": False, "apns": (core.ApnRecord("m2m.skerry.example", auth, 1358),)}
    return core.Subscriber(imsi, **(fields | changes))


def settings(*subscribers: core.Subscriber, plmn: str = "001-01", pool: str = "100.64.0.0/24") -> core.Settings:
    cell, link = core.CellFigures(-95.0, -10.5, 12.0), core.LinkFigures(0, 0, 0, 0, 0)
    return core.Settings(plmn, pool, "100.64.0.1", subscribers, cell, link)


@dataclass
class World:
    """Everything that one test needs. `mute`: the carrier hears nothing, as if it were not there."""

    carrier: core.Carrier
    modem: Modem
    dialler: d.Dialler
    now_s: float = 0.0
    mute: bool = False
    refuse_with: Callable[[radio.Message], radio.Message | None] = lambda message: None
    reports: list[tuple[float, str, dict[str, Any]]] = field(default_factory=list)
    ups: list[tuple[float, d.Grant]] = field(default_factory=list)
    downs: list[tuple[float, str]] = field(default_factory=list)
    commands: list[str] = field(default_factory=list)
    deaf: bool = False
    """The modem answers no command."""
    resets: list[float] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    emitted: list[core.Emit] = field(default_factory=list)
    sent: list[tuple[float, radio.Message]] = field(default_factory=list)
    _text: str = ""

    def start(self) -> World:
        self.on_modem(self.modem.power_on(self.now_s))
        self.on_dialler(self.dialler.start(self.now_s))
        return self

    def on_dialler(self, effects: list[d.Effect]) -> None:
        for effect in effects:
            match effect:
                case d.SendLine(text):
                    self.commands.append(text)
                    if not self.deaf:
                        self.on_modem(self.modem.on_input(text.encode() + b"\r", self.now_s))
                case d.Report(kind, data):
                    self.reports.append((self.now_s, kind, data))
                case d.Up(grant):
                    self.ups.append((self.now_s, grant))
                case d.ResetModem():
                    self.resets.append(self.now_s)
                case d.Down(reason):
                    self.downs.append((self.now_s, reason))

    def on_modem(self, outputs: list[Any]) -> None:
        for output in outputs:
            match output:
                case Write(data):
                    self._text += data.decode()
                    while "\r" in self._text:
                        line, self._text = self._text.split("\r", 1)
                        self.on_dialler(self.dialler.on_line(line.strip("\n"), self.now_s))
                case Note(_, line):
                    self.notes.append(line)
                case nas.Send(message):
                    self.sent.append((self.now_s, message))
                    self.to_carrier(radio.parse(radio.render(message)))

    def to_carrier(self, message: radio.Message) -> None:
        if self.mute:
            return
        forced = self.refuse_with(message)
        if forced is not None:
            self.on_modem(self.modem.on_message(forced, self.now_s))
            return
        self.on_carrier(self.carrier.on_message(message))

    def on_carrier(self, outputs: list[core.Output]) -> None:
        for output in outputs:
            match output:
                case core.Send(answer):
                    self.on_modem(self.modem.on_message(radio.parse(radio.render(answer)), self.now_s))
                case core.Emit():
                    self.emitted.append(output)

    def run(self, until_s: float) -> World:
        """Jump from one due time to the next."""
        for _ in range(20_000):
            times = [t for t in (self.modem.wake_at(), self.dialler.wake_at()) if t is not None]
            due_s = min(times, default=until_s)
            if due_s >= until_s:
                break
            self.now_s = max(self.now_s, due_s)
            self.on_modem(self.modem.on_time(self.now_s))
            self.on_dialler(self.dialler.on_time(self.now_s))
        else:
            raise AssertionError("the clock does not move on")
        self.now_s = until_s
        return self

    def kinds(self, kind: str) -> list[dict[str, Any]]:
        return [data for _, name, data in self.reports if name == kind]


def build(
    *subscribers: core.Subscriber,
    plans: tuple[d.SlotPlan, ...] = (d.SlotPlan(1, None, (GOOD,)),),
    cards: tuple[tuple[int, Card], ...] | None = None,
    plmn: str = "001-01",
    search_s: float = 2.0,
    **changes: Any,
) -> World:
    cards = cards if cards is not None else ((1, Card(ICCID, IMSI, None, "12345678")),)
    carrier = core.Carrier(settings(*(subscribers or (subscriber(),)), plmn=plmn), lambda n: bytes(range(n)))
    slots = 2
    modem = Modem(cards, slots, build_imei(1), search_s)
    return World(carrier, modem, d.Dialler(plans, slots, search_s), **changes)


def with_pin(pin: str | None, **changes: Any) -> World:
    card = Card(ICCID, IMSI, "4321", "12345678", **changes)
    return build(plans=(d.SlotPlan(1, pin, (GOOD,)),), cards=((1, card),))


def card_of(world: World) -> Card:
    return world.modem.state.cards[1]


# ---------------------------------------------------------------- the good ways


def test_address_after_the_registration_wait() -> None:
    world = build(search_s=7.0).start().run(30)
    assert [at_s for at_s, _ in world.ups] == [7.0]
    grant = world.ups[0][1]
    assert grant == d.Grant("m2m.skerry.example", "100.64.0.2/32", "100.64.0.1", ("100.64.0.1",), 1358)
    assert world.kinds("signal.measured") == [
        {"rsrp_dbm": -95.0, "rsrq_db": -10.5, "ports_dbm": [-95.0, -97.0]}  # bins by their lower edge: TS 27.007, 8.69
    ]
    assert [e.kind for e in world.emitted] == ["attach.accepted", "pdn.granted"]


def test_unknown_apn_moves_on_at_once() -> None:
    plan = d.SlotPlan(1, None, (d.ApnPlan("wrong.example"), GOOD))
    world = build(plans=(plan,)).start().run(30)
    assert world.ups[0][0] == 2.0  # no time lost on ESM #27
    assert world.kinds("apn.tried") == [
        {"apn": "wrong.example", "outcome": "refused", "cme": 127},
        {"apn": "m2m.skerry.example", "outcome": "granted", "cme": None},
    ]
    assert world.emitted[1].data["cause"] == 27


def test_apn_of_another_subscriber_is_not_subscribed() -> None:
    other = subscriber("001010000000002", apns=(core.ApnRecord("pier.example", None, 1358),))
    plan = d.SlotPlan(1, None, (d.ApnPlan("pier.example"), GOOD))
    world = build(subscriber(), other, plans=(plan,)).start().run(30)
    assert [t["cme"] for t in world.kinds("apn.tried")] == [133, None]  # ESM #33


@pytest.mark.parametrize("auth", [PAP, CHAP])
@pytest.mark.parametrize(
    ("method", "password", "granted"),
    [("pap", "pier-7", 1), ("chap", "pier-7", 1), ("pap", "no", 0), ("chap", "no", 0), (None, "", 0)],
)
def test_credentials(auth: core.Credentials, method: str | None, password: str, granted: int) -> None:
    apn = d.ApnPlan("m2m.skerry.example", method, "ferry", password)
    world = build(subscriber(auth=auth), plans=(d.SlotPlan(1, None, (apn,)),)).start().run(60)
    right = bool(granted) and method == auth.method
    assert len(world.ups) == int(right)
    assert world.kinds("apn.tried")[0]["cme"] == (None if right else 129)  # ESM #29


def test_no_secret_in_events() -> None:
    apn = d.ApnPlan("m2m.skerry.example", "pap", "ferry", 'pi"er\\7')
    auth = core.Credentials("pap", "ferry", 'pi"er\\7')
    card = Card(ICCID, IMSI, "4321", "12345678")
    world = build(subscriber(auth=auth), plans=(d.SlotPlan(1, "4321", (apn,)),), cards=((1, card),)).start().run(30)
    assert world.ups
    told = repr((world.notes, world.reports, world.emitted))
    assert "4321" not in told
    assert "er" + "\\" not in told.replace("\\\\", "\\").replace('"', "")
    assert "pi\\22er" not in told
    assert any("AT+CGAUTH" in c and "\\22" in c for c in world.commands)


# ---------------------------------------------------------------- cards


def test_right_pin_opens_the_card() -> None:
    world = with_pin("4321").start().run(30)
    assert len(world.ups) == 1


def test_wrong_pin_is_tried_once_and_never_again() -> None:
    world = with_pin("0000").start().run(10 * 720)
    assert [c for c in world.commands if c.startswith("AT+CPIN=")] == ['AT+CPIN="0000"']
    assert card_of(world).pin_tries == 2
    assert not world.ups
    assert world.kinds("sim.blocked")[0] == {"slot": 1, "reason": "PIN refused (+CME ERROR: 16)"}


@pytest.mark.parametrize("left", [1, 2])
def test_no_pin_is_tried_with_fewer_than_three_tries_left(left: int) -> None:
    world = with_pin("4321", pin_tries=left).start().run(3000)
    assert not [c for c in world.commands if c.startswith("AT+CPIN=")]
    assert card_of(world).pin_tries == left


def test_puk_is_left_alone() -> None:
    world = with_pin("4321", pin_tries=0).start().run(3000)
    assert not [c for c in world.commands if c.startswith("AT+CPIN=")]
    assert world.kinds("sim.blocked")[0]["reason"] == "SIM asks for PUK"


def test_no_pin_known() -> None:
    world = with_pin(None).start().run(3000)
    assert "none is known" in world.kinds("sim.blocked")[0]["reason"]
    assert card_of(world).pin_tries == 3


def test_no_card() -> None:
    world = build(cards=()).start().run(100)
    assert world.kinds("sim.blocked") == [{"slot": 1, "reason": "no SIM in the slot"}]


def test_card_put_in_later() -> None:
    world = build(cards=()).start().run(100)
    world.modem.state.cards[1] = Card(ICCID, IMSI, None, "12345678")
    world.modem.state.start_radio(world.now_s)
    world.run(120)
    assert len(world.ups) == 1
    assert world.ups[0][0] <= 100 + 5 + 2  # the poll of the card, and the search


def test_card_taken_out_in_service() -> None:
    world = with_pin("4321").start().run(30)
    card = world.modem.state.cards.pop(1)
    card.cut_power()
    world.modem.state.effects += world.modem.state.nas.stop()
    world.on_modem(world.modem.on_time(world.now_s))
    world.run(60)
    assert world.kinds("sim.blocked") == [{"slot": 1, "reason": "no SIM in the slot"}]
    world.modem.state.cards[1] = card
    world.run(80)
    assert len(world.ups) == 2
    assert card.pin_tries == 3


def test_second_slot_when_the_first_is_empty() -> None:
    cards = ((2, Card(ICCID, IMSI, "4321", "12345678")),)
    plans = (d.SlotPlan(1, None, (GOOD,)), d.SlotPlan(2, "4321", (GOOD,)))
    world = build(plans=plans, cards=cards).start().run(60)
    assert len(world.ups) == 1
    assert [c for c in world.commands if "CSUS=" in c] == ["AT+CSUS=1"]


def test_second_slot_when_the_first_is_refused() -> None:
    cards = ((1, Card("8901001123456789023", "001010000000009", None, "1")), (2, Card(ICCID, IMSI, None, "1")))
    plans = (d.SlotPlan(1, None, (GOOD,)), d.SlotPlan(2, None, (GOOD,)))
    world = build(plans=plans, cards=cards).start().run(60)
    assert world.kinds("sim.blocked") == [{"slot": 1, "reason": "registration refused, EMM cause 8"}]
    assert [e.kind for e in world.emitted] == ["attach.refused", "attach.accepted", "pdn.granted"]


# ---------------------------------------------------------------- registration


@pytest.mark.parametrize(
    ("changes", "plmn", "cause"),
    [({"active": False}, "001-01", 7), ({}, "001-02", 13), ({"imsi": "001010000000005"}, "001-01", 8)],
)
def test_refused_for_good(changes: dict[str, Any], plmn: str, cause: int) -> None:
    world = build(subscriber(**changes), plmn=plmn, search_s=0.0).start().run(700)
    attaches = [at_s for at_s, m in world.sent if isinstance(m, radio.AttachRequest)]
    # the radio off and on between: TS 24.301 clause 5.5.1.2.5
    assert attaches == [0, 10, 20, 40, 60, 100, 140, 220, 300, 460, 620]
    assert [c for c in world.commands if "CFUN" in c] == ["AT+CFUN=4", "AT+CFUN=1"] * 10
    assert {"stat": 3, "act": None, "reject_cause": cause} in world.kinds("registration.changed")
    assert not world.ups


def test_subscription_that_becomes_active() -> None:
    world = build(subscriber(active=False), search_s=0.0).start().run(50)
    world.carrier.subscribers = {IMSI: subscriber()}
    world.run(80)
    assert [at_s for at_s, _ in world.ups] == [60]


def test_roaming_where_agreed() -> None:
    world = build(subscriber(roaming_allowed=True), plmn="00102").start().run(30)
    assert len(world.ups) == 1
    assert world.kinds("registration.changed")[-1]["stat"] == 5


def test_attach_attempts_with_immediate_retryable_rejects() -> None:
    """Five rejects with #17: 4 x T3411 = 40 s, then T3402: the sixth at 760 s (Table 10.2.1, clause 5.5.1.2.6)."""

    def refuse(message: radio.Message) -> radio.Message | None:
        return radio.AttachReject(17) if isinstance(message, radio.AttachRequest) else None

    world = build(search_s=0.0, refuse_with=refuse).start().run(765)
    assert [at_s for at_s, m in world.sent if isinstance(m, radio.AttachRequest)] == [0, 10, 20, 30, 40, 760]


def test_attach_attempts_into_silence() -> None:
    """Five silent attempts: 5 x T3410 + 4 x T3411 = 115 s, then T3402: the sixth at 835 s."""

    def refuse(message: radio.Message) -> radio.Message | None:
        return radio.DetachAccept() if isinstance(message, radio.AttachRequest) else None

    world = build(search_s=0.0, refuse_with=refuse).start().run(840)
    assert [at_s for at_s, m in world.sent if isinstance(m, radio.AttachRequest)] == [0, 25, 50, 75, 100, 835]


def test_no_cell_at_all() -> None:
    world = build(mute=True).start().run(300)
    assert not [m for _, m in world.sent if isinstance(m, radio.AttachRequest)]
    world.mute = False
    world.run(310)
    assert len(world.ups) == 1


# ---------------------------------------------------------------- PDN back-off


@pytest.mark.parametrize("cause", [34, 27])
def test_refusals_wait_longer_and_longer(cause: int) -> None:
    refused: list[float] = []

    def refuse(message: radio.Message) -> radio.Message | None:
        if isinstance(message, radio.PdnConnectivityRequest):
            refused.append(world.now_s)
            return radio.PdnConnectivityReject(message.pti, cause)
        return None

    world = build(search_s=0.0, refuse_with=refuse)
    world.start().run(3000)
    assert refused == [0, 10, 20, 40, 60, 100, 140, 220, 300, 460, 620, 940, 1260, 1900, 2540]
    assert [t["cme"] for t in world.kinds("apn.tried")] == [100 + cause] * 15


def test_the_longest_pause() -> None:
    assert d.find_pause_s(1000) == 720  # T3402: TS 24.301 Table 10.2.1


def test_list_starts_over_after_the_pause() -> None:
    plan = d.SlotPlan(1, None, (d.ApnPlan("a.example"), d.ApnPlan("b.example")))
    world = build(plans=(plan,), search_s=0.0).start().run(15)
    assert [(at_s, data["apn"]) for at_s, kind, data in world.reports if kind == "apn.tried"] == [
        (0.0, "a.example"),
        (0.0, "b.example"),
        (10.0, "a.example"),
        (10.0, "b.example"),
    ]


def test_pauses_are_short_again_after_an_address() -> None:
    world = build(search_s=0.0).start().run(5)
    world.refuse_with = lambda m: (
        radio.PdnConnectivityReject(m.pti, 27) if isinstance(m, radio.PdnConnectivityRequest) else None
    )
    world.on_modem(world.modem.on_message(radio.DeactivateBearer(5, 39), world.now_s))
    world.run(200)
    assert [at_s for at_s, kind, data in world.reports if kind == "apn.tried"] == [0, 5, 15, 25, 45, 65, 105, 145]


def test_t3396_is_kept_by_the_modem() -> None:
    """TS 24.301 clause 6.5.1.4.2: with #26 and T3396 of 25 s nothing is sent for this APN until that is over."""
    asked: list[float] = []

    def refuse(message: radio.Message) -> radio.Message | None:
        if isinstance(message, radio.PdnConnectivityRequest):
            asked.append(world.now_s)
            return radio.PdnConnectivityReject(message.pti, 26, 25.0)
        return None

    world = build(search_s=0.0, refuse_with=refuse)
    world.start().run(50)
    assert asked == [0, 40]
    assert [t["cme"] for t in world.kinds("apn.tried")] == [126, 126, 126, 126]


def test_t3346_is_kept_by_the_modem() -> None:
    """TS 24.301 clause 5.5.1.2.5: with #22 and T3346 of 25 s the next attach is sent when that is over."""

    def refuse(message: radio.Message) -> radio.Message | None:
        return radio.AttachReject(22, t3346_s=25.0) if isinstance(message, radio.AttachRequest) else None

    world = build(search_s=0.0, refuse_with=refuse).start().run(60)
    assert [at_s for at_s, m in world.sent if isinstance(m, radio.AttachRequest)] == [0, 25, 50]
    assert world.kinds("registration.changed")[-1]["reject_cause"] == 22


def test_silent_pdn_request_is_given_up_at_the_fifth_expiry() -> None:
    """TS 24.301 clause 6.5.1.5: T3482 (8 s), four retransmissions, given up at the fifth expiry: 40 s."""

    def refuse(message: radio.Message) -> radio.Message | None:
        return radio.DetachAccept() if isinstance(message, radio.PdnConnectivityRequest) else None

    world = build(search_s=0.0, refuse_with=refuse).start().run(41)
    assert [at_s for at_s, m in world.sent if isinstance(m, radio.PdnConnectivityRequest)] == [0, 8, 16, 24, 32]
    assert world.reports[-1][0] == 40.0
    assert world.kinds("apn.tried")[-1]["cme"] == 31


# ---------------------------------------------------------------- loss and return


def test_network_takes_the_bearer_and_the_device_dials_again() -> None:
    world = build().start().run(10)
    world.on_modem(world.modem.on_message(radio.DeactivateBearer(5, 39), world.now_s))
    world.run(20)
    assert world.downs == [(10, "NW PDN DEACT 1")]
    assert len(world.ups) == 2
    assert world.ups[1][1].address == world.ups[0][1].address


def test_cell_lost_and_found() -> None:
    world = build().start().run(10)
    world.mute = True
    world.run(100)
    assert len(world.downs) == 1
    world.mute = False
    world.run(200)
    assert len(world.ups) == 2


def test_out_of_coverage_from_the_start() -> None:
    world = build(mute=True).start().run(40)
    assert world.kinds("registration.changed")[-1]["stat"] == 4  # TS 27.007 clause 10.1.22: unknown
    assert world.kinds("signal.measured") == [{"rsrp_dbm": None, "rsrq_db": None, "ports_dbm": [None, None]}]


def test_network_detaches_and_wants_the_device_back() -> None:
    """TS 24.301 clause 5.5.2.3.2: with "re-attach required" it attaches again at once."""
    world = build().start().run(10)
    world.on_modem(world.modem.on_message(radio.DetachRequest(), world.now_s))
    world.run(11)
    assert len(world.ups) == 2


def test_a_modem_that_hangs_is_reset() -> None:
    """Three commands in a row without an answer, 5 s each, after at most 10 s between two measurements."""
    world = build().start().run(12)
    world.deaf = True
    world.run(40)
    assert len(world.resets) == 1
    assert world.resets[0] <= 12 + 25
    assert world.dialler.wake_at() is None


def test_signal_is_reported_when_it_changes() -> None:
    world = build().start().run(10)
    world.on_carrier(world.carrier.set_cell(core.CellFigures(-118.0, -19.0, -3.0)))
    world.run(100)
    assert [m["rsrp_dbm"] for m in world.kinds("signal.measured")] == [-95.0, -118.0]


# ---------------------------------------------------------------- parsing


def test_contrdp_with_and_without_mask() -> None:
    # TS 27.007 clause 10.1.23: address and mask in one dotted string since v9.4.0
    values = d.split_values(
        '1,5,"m2m.example","10.0.0.2.255.255.255.252","10.0.0.1","10.0.0.1","10.0.0.9","","",0,0,1400'
    )
    assert d.parse_grant("x", values) == d.Grant("x", "10.0.0.2/30", "10.0.0.1", ("10.0.0.1", "10.0.0.9"), 1400)
    assert d.parse_grant("x", d.split_values('1,5,"m2m.example","10.0.0.2"')) == d.Grant(
        "x", "10.0.0.2/32", "", (), None
    )
    assert d.parse_grant("x", d.split_values('1,5,"m2m.example"')) is None
