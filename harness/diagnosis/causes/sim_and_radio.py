"""Causes of card, subscription, radio and modem. Layer: diagnosis, data."""

from __future__ import annotations

from harness.core.entries import Seen, as_list, as_number
from harness.core.model import Plan
from harness.diagnosis.case import Case
from harness.diagnosis.rows import Cause, choose_part, holds, never, saw, stopped_at
from harness.diagnosis.signs import among, any_of, matching, ranged

OUT_OF_COVERAGE = 4  # <stat> of +CEREG: TS 27.007 clause 10.1.22
POOR_RSRP_DBM = -115.0  # common practice, no source
UNEVEN_DB = 8.0  # between two antenna ports; ports that are well differ by a few dB. Common practice, no source
LEAST_FLAPS = 3
NO_ROAMING = (11, 13, 14, 15)  # EMM causes, TS 24.301 Annex A
MAST = "Antennas and masts are for the installer alone."


def _is_uneven(plan: Plan, seen: Seen) -> bool:
    ports = [p for p in (as_number(p) for p in as_list(seen.data.get("ports_dbm"))) if p is not None]
    return len(ports) > 1 and max(ports) - min(ports) >= UNEVEN_DB


def _find_out_of_coverage(case: Case, *, was_in: bool) -> tuple[Seen, ...] | None:
    """Find where the modem says that it hears no cell: after it first was on the network, or before."""
    seen = choose_part(case, None)
    heard = [s.at_ns for kind in ("attach.accepted", "attach.refused") for s in seen.find_all("carrier", kind)]
    first_ns = min(heard, default=None)
    out = seen.find_all("router", "registration.changed", stat=OUT_OF_COVERAGE)
    found = tuple(s for s in out if (first_ns is not None and s.at_ns > first_ns) is was_in)
    return found or None


def _find_unheard(case: Case) -> tuple[Seen, ...] | None:
    return _find_out_of_coverage(case, was_in=False)


def _find_lost(case: Case) -> tuple[Seen, ...] | None:
    return _find_out_of_coverage(case, was_in=True)


_AT_WAN = stopped_at("wan_obtained", weight=0.5)

CARDS = (
    Cause(
        name="sim_missing",
        title="there is no SIM in the slot",
        needs=(
            saw(
                "the device finds no card in a slot",
                "router",
                "sim.blocked",
                weight=3,
                accepts=matching(reason="no SIM"),
            ),
        ),
        speaks_for=(_AT_WAN,),
        tell_apart="A card that is there but dead gives +CME ERROR 13 (SIM failure), a locked one asks for its PUK.",
        at_bench="Put the card in, chip to the contacts, until it clicks; the device finds it by itself.",
        at_site="Put the card in, or have it put in straight; no restart is needed.",
        sentence="Please push the small card in its slot until it clicks; nothing need be switched off.",
    ),
    Cause(
        name="sim_wants_pin",
        title="the SIM asks for a PIN that nobody told the device",
        needs=(
            saw(
                "the card asks for a PIN, and the device knows none",
                "router",
                "sim.blocked",
                weight=3,
                accepts=matching(reason="none is known"),
            ),
        ),
        speaks_for=(_AT_WAN,),
        tell_apart="A wrong PIN is tried once (+CME ERROR 16); a locked card asks for its PUK.",
        at_bench="Switch the PIN off in a telephone, or stage the device with it.",
        at_site="Switch the card's PIN off in a telephone, by the carrier's letter, in two tries at most.",
        sentence="Please leave the device as it is and try no numbers; we send somebody with the card's secret number.",
    ),
    Cause(
        name="wrong_pin",
        title="the SIM's PIN is another than the device was told",
        needs=(
            saw(
                "the card refuses the PIN, or has lost tries",
                "router",
                "sim.blocked",
                weight=3,
                accepts=matching(reason="PIN (was )?refused|tries left"),
            ),
        ),
        speaks_for=(_AT_WAN,),
        tell_apart="A card without a PIN told asks, too, but loses no try; compare the ICCID with the site's list.",
        at_bench="Compare ICCID and PIN with the carrier's letter; the device tries no second time.",
        at_site="Is it this site's card (ICCID)? Two tries are left: enter the PIN in a telephone, switch it off.",
        sentence="Please leave the device as it is and try no numbers; we send somebody with the card's secret number.",
    ),
    Cause(
        name="puk_locked",
        title="the SIM is locked and asks for its PUK",
        needs=(
            saw(
                "the card asks for its PUK", "router", "sim.blocked", weight=3, accepts=matching(reason="asks for PUK")
            ),
        ),
        speaks_for=(_AT_WAN,),
        tell_apart="Only three wrong PINs lead here. Tries that the device itself made are on its AT port (+CPIN=).",
        at_bench="Unlock it in a telephone with the PUK of the carrier's letter; ten wrong ones kill the card.",
        at_site="Unlock the card in a telephone with the carrier's PUK, or put a new one in.",
        sentence="Please leave the card where it is and try no numbers; we send somebody, or another card.",
    ),
    Cause(
        name="first_sim_dead",
        title="a SIM answers nothing; another one serves",
        needs=(
            saw(
                "a card does not answer", "router", "sim.blocked", weight=3, accepts=matching(reason="does not answer")
            ),
        ),
        speaks_for=(saw("a bearer is granted all the same", "carrier", "pdn.granted", weight=0.5),),
        tell_apart="An empty slot says so (+CME ERROR 10); a card that fails in another device, too, is broken itself.",
        at_bench="Clean the contacts, try the card in another device; then order a new one.",
        at_site="Nothing at once: the other card serves. Bring a new one at the next visit.",
        sentence="Nothing need be done now; we bring a new card at the next visit.",
    ),
)

SUBSCRIPTIONS = (
    Cause(
        name="sim_not_activated",
        title="the carrier does not know the SIM: it was never activated",
        needs=(
            saw(
                "the carrier refuses the card as unknown (EMM cause 8 or 2)",
                "carrier",
                "attach.refused",
                weight=3,
                accepts=among(cause=(2, 8)),
            ),
        ),
        speaks_for=(_AT_WAN,),
        tell_apart="EMM cause 7 would say that the card is known but has no data service.",
        at_bench="Have the carrier activate this ICCID; the device tries again by itself.",
        at_site="Nothing: the carrier activates the card. Is it the card of this site's list (ICCID)?",
        sentence="The telephone company has not switched the card on yet; leave the device on, we see to it.",
    ),
    Cause(
        name="no_data_subscription",
        title="the subscription has no data service",
        needs=(saw("the carrier refuses data service (EMM cause 7)", "carrier", "attach.refused", weight=3, cause=7),),
        speaks_for=(_AT_WAN,),
        tell_apart="EMM cause 8 would say that nobody knows the card; ESM cause 33, that this APN is not allowed.",
        at_bench="Have the carrier add the data option to the subscription.",
        at_site="Nothing: the carrier changes the subscription.",
        sentence="The card in the device has no data service; leave the device on, we have it changed.",
    ),
    Cause(
        name="roaming_refused",
        title="only another network is in reach, and it does not let the SIM in",
        needs=(
            saw(
                "a network refuses the card as a guest (EMM cause 11, 13, 14 or 15)",
                "carrier",
                "attach.refused",
                weight=3,
                accepts=among(cause=NO_ROAMING),
            ),
        ),
        speaks_for=(_AT_WAN,),
        tell_apart="The network's PLMN beside the card's IMSI tells; causes 7 and 8 come from the card's own network.",
        at_bench="Compare the PLMN with the IMSI; order roaming, or a card of the network that is there.",
        at_site="Is the own network's mast down? A better antenna, or a card of another carrier. " + MAST,
        sentence="Only a foreign mobile network is in reach; leave the device on, we see to it.",
    ),
    Cause(
        name="network_congested",
        title="the mobile network is full and told the device to wait",
        needs=(
            any_of(
                "the network refuses for want of room",
                saw("an attach (EMM cause 22)", "carrier", "attach.refused", later=None, cause=22),
                saw("an APN (ESM cause 26)", "carrier", "pdn.refused", later=None, cause=26),
                weight=3,
            ),
        ),
        speaks_for=(_AT_WAN,),
        tell_apart="A full network refuses at some hours only; a used-up address pool (ESM cause 26) at all hours.",
        at_bench="Nothing: it passes. Look at the times of the refusals.",
        at_site="Nothing, unless it comes every day: then another carrier's card.",
        sentence="The mobile network is full just now; leave the device on, it comes by itself.",
    ),
)

RADIO = (
    Cause(
        name="no_coverage",
        title="no cell is heard at the site",
        needs=(
            holds("the modem hears no cell (+CEREG 4), and never was on the network before", _find_unheard, weight=3),
        ),
        speaks_for=(_AT_WAN,),
        tell_apart="If a telephone of the same network hears a cell there, it is the antennas; else site or mast.",
        at_bench="Are both antennas screwed on? Is the screen room shut, the attenuator turned up?",
        at_site="Antennas and their cables first, then a telephone of the same network. " + MAST,
        sentence="Please see that both antennas sit firmly on the device, and put it nearer to a window.",
    ),
    Cause(
        name="weak_signal",
        title="the cell is hardly heard",
        needs=(
            saw(
                f"RSRP is below {POOR_RSRP_DBM:g} dBm",
                "router",
                "signal.measured",
                weight=3,
                later=None,
                accepts=ranged("rsrp_dbm", below=POOR_RSRP_DBM),
            ),
        ),
        tell_apart="Better beside the window: the place. As poor outdoors: the site. Uneven antenna ports: an antenna.",
        at_bench="Measure with the antennas of the site; compare both ports.",
        at_site="A better place, shorter cable, or an antenna outdoors. " + MAST,
        sentence="The radio signal is weak; please put the device nearer to a window, away from metal.",
    ),
    Cause(
        name="antenna_off",
        title="one of the antennas is off or broken",
        needs=(
            saw(
                f"the antenna ports differ by {UNEVEN_DB:g} dB or more",
                "router",
                "signal.measured",
                weight=3,
                later=None,
                accepts=_is_uneven,
            ),
        ),
        tell_apart="Antennas exchanged: if the poor port stays, it is the port; if it moves along, it is the antenna.",
        at_bench="Screw both antennas on; exchange them to tell antenna from port.",
        at_site="Screw it on; look for a cable that is kinked or wet. " + MAST,
        sentence="One of the two antennas on the device is loose; please turn it on firmly by hand.",
    ),
    Cause(
        name="coverage_lost",
        title="the cell was gone for a while",
        needs=(holds("the modem had a cell, and lost it (+CEREG 4)", _find_lost, weight=3),),
        speaks_for=(saw("and was taken back", "carrier", "attach.accepted", weight=0.5, later=True),),
        tell_apart="Others of that cell lost it, too: the mast. This one alone: its antennas, or something in the way.",
        at_bench="Nothing: it comes back by itself.",
        at_site="If it comes again: what stands or drives by there? A second uplink, or another carrier's card.",
        sentence="The mobile network was away for a while; nothing need be done.",
    ),
    Cause(
        name="registration_flapping",
        title="the network sends the device away again and again",
        needs=(
            saw(
                "the device attaches over and over",
                "carrier",
                "attach.accepted",
                weight=2.5,
                later=True,
                least=LEAST_FLAPS,
            ),
            never("the device was started anew", "router", "boot.started", weight=0, later=True),
            never(
                "the modem lost its cell", "router", "registration.changed", weight=0, later=True, stat=OUT_OF_COVERAGE
            ),
            never("the modem was reset", "router", "modem.reset", weight=0, later=True),
        ),
        tell_apart="Cells that change by turns: two of equal strength. One and the same cell: the carrier's core.",
        at_bench="Nothing: ask the carrier for the core's side of it.",
        at_site="Turn or move the antenna so that one cell is clearly the best. " + MAST,
        sentence="The mobile network is restless just now; leave the device on, it comes by itself.",
    ),
    Cause(
        name="modem_hangs",
        title="the modem hung, and was reset",
        needs=(saw("the device pulls its modem's reset line", "router", "modem.reset", weight=3, later=None),),
        tell_apart="Once in months is common; more often, or without a reset that helps, it is the modem itself.",
        at_bench="Read what its AT port said last; look for a newer modem firmware.",
        at_site="Nothing, unless it comes often: then another device.",
        sentence="Nothing need be done; the device has helped itself.",
    ),
)

CAUSES = (*CARDS, *SUBSCRIPTIONS, *RADIO)
