"""Quantities over the run: round trips, signal, rates. Layer: story, pure.

A ping's answer says how long each echo took, not when it was sent: its echoes are placed `PING_INTERVAL_S` apart, the
last one at the answer. A download is measured where it ends: a server is done once the rest is in its own buffers.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from harness.checks._vantages import list_all_clients
from harness.core.entries import ANSWERED, as_list, as_number
from harness.core.model import Observation, Plan
from harness.core.timing import to_s
from harness.stages._hq_measures import TRANSFER
from harness.stages.hq_reached import PING_INTERVAL_S
from harness.story.class_rates import list_class_rates
from harness.story.model import Series

Points = tuple[tuple[float, float], ...]


def list_series(
    plan: Plan, observations: Iterable[Observation], zero_ns: int, offset_ns: int = 0
) -> tuple[Series, ...]:
    """Return all quantities of which something was measured. `offset_ns`: the nodes' monotonic clock less the
    harness's."""
    seen = sorted(observations, key=lambda o: o.at_ns)
    limits = plan.branch.acceptance
    survey = plan.records.carrier
    drawn = (
        Series("rtt", "round trip of a client's echo to HQ", "ms", _list_round_trips(plan, seen, zero_ns),
               limits.ping_rtt_ms, f"nine in ten within {limits.ping_rtt_ms:g} ms, where it is measured"),
        Series("rsrp", "signal: RSRP, as router and carrier report it", "dBm", _list_signal(seen, "rsrp_dbm", zero_ns),
               None, f"no limit; the site survey found {survey.rsrp_dbm:g} dBm"),
        Series("rsrq", "signal: RSRQ, as router and carrier report it", "dB", _list_signal(seen, "rsrq_db", zero_ns),
               None, f"no limit; the site survey found {survey.rsrq_db:g} dB"),
        Series("image", "rate of image downloads, as the router fetched them", "Mbit/s", _list_images(seen, zero_ns),
               None, f"no limit; the link's own is {survey.down_bps / 1e6:g} Mbit/s down"),
        Series("transfer", "rate of a client's transfer from HQ", "Mbit/s", _list_transfers(seen, zero_ns),
               None, f"no limit; {limits.transfer_bytes} bytes must come whole"),
    )  # fmt: skip
    return (*(s for s in drawn if s.points), *list_class_rates(plan, seen, zero_ns, offset_ns))


def _as_finite(value: object) -> float | None:
    """Return a number that can be drawn, None for anything else: a tape may hold ``NaN``."""
    number = as_number(value)
    return float(number) if number is not None and math.isfinite(number) else None


def _list_round_trips(plan: Plan, seen: Sequence[Observation], zero_ns: int) -> Points:
    clients = {client for client, _ in list_all_clients(plan)}
    points: list[tuple[float, float]] = []
    for o in seen:
        if o.source not in clients or o.kind != ANSWERED or o.data.get("verb") != "ping":
            continue
        rtts = [r for r in map(_as_finite, as_list(_get(o, "rtts_ms"))) if r is not None]
        last_s = to_s(o.at_ns - zero_ns)
        points += [(last_s - PING_INTERVAL_S * (len(rtts) - n), r) for n, r in enumerate(rtts, 1)]
    return tuple(sorted(points))


def _list_signal(seen: Iterable[Observation], field: str, zero_ns: int) -> Points:
    kinds = {("router", "signal.measured"), ("carrier", "pdn.granted")}
    told = ((o, _as_finite(o.data.get(field))) for o in seen if (o.source, o.kind) in kinds)
    return tuple((to_s(o.at_ns - zero_ns), value) for o, value in told if value is not None)


def _list_images(seen: Iterable[Observation], zero_ns: int) -> Points:
    fetched = ((o, o.data) for o in seen if (o.source, o.kind) == ("router", "image.fetched"))
    return tuple(_rate(fetched, zero_ns))


def _list_transfers(seen: Iterable[Observation], zero_ns: int) -> Points:
    answers = (o for o in seen if o.kind == ANSWERED and o.data.get("label") == TRANSFER)
    results = ((o, o.data.get("result")) for o in answers)
    return tuple(_rate(((o, result) for o, result in results if isinstance(result, Mapping)), zero_ns))


def _rate(told: Iterable[tuple[Observation, Mapping[str, object]]], zero_ns: int) -> Iterator[tuple[float, float]]:
    for o, data in told:
        size, took_s = _as_finite(data.get("bytes")), _as_finite(data.get("took_s"))
        if size and took_s and took_s > 0:
            yield to_s(o.at_ns - zero_ns), size * 8 / took_s / 1e6


def _get(seen: Observation, key: str) -> object:
    result = seen.data.get("result")
    return result.get(key) if isinstance(result, Mapping) else None
