"""The radio link through TUN and GTP-U: throughput against the same link without them, and how exact shaping is.

Throughput is TCP's, octets of payload read by the receiver, from one container to the other; both sides of the ratio go
over the same bridge and veth pairs, in turns. The plain side shows what senders and receivers can do, hence that they
are not what limits the other. Delay is one way, less nothing. Loss and rate are those of datagrams of full size.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.bench.figures import Figure, Result, more_than, report
from tests.bench.radio_lab import GATEWAY, INNER, MODEM, MTU_BYTES, PLAIN, RadioLab
from tests.bench.stats import find_median, find_percentile, find_ratio, find_wilson

REPETITIONS = 5
TCP_S = 2.0
TARGET_MBPS = 1200.0
DELAYS_MS = (10.0, 60.0, 150.0)
DELAY_PACKETS, DELAY_PER_S = 400, 200.0
DELAY_LIMIT_MS = 1.0
LOSSES_PCT = (0.0, 1.0, 5.0)
LOSS_PACKETS, LOSS_PER_S = 20_000, 5000.0
RATES_MBPS = (2, 20, 100)
RATE_S, RATE_OVERLOAD = 3.0, 1.5
RATE_LIMIT = 0.05
WAYS = {"up": (MODEM, GATEWAY), "down": (GATEWAY, MODEM)}
CLEAR = {"down_bps": None, "delay_ms": 0, "jitter_ms": 0, "loss_pct": 0}


def measure(say: Callable[[str], None]) -> Result:
    """Measure throughput, delay, loss and rate."""
    with RadioLab() as lab:
        speeds = _measure_speeds(lab, say)
        delays = {f"{ms:g}": _send_shaped(lab, {"delay_ms": ms}, DELAY_PACKETS, DELAY_PER_S, 200) for ms in DELAYS_MS}
        say("delays done")
        losses = {
            f"{pct:g}": _send_shaped(lab, {"loss_pct": pct}, LOSS_PACKETS, LOSS_PER_S, MTU_BYTES) for pct in LOSSES_PCT
        }
        say("losses done")
        rates = {f"{mbps}": _send_at_rate(lab, mbps) for mbps in RATES_MBPS}
    figures = (
        *_judge_speeds(speeds),
        *(figure for ms, got in delays.items() for figure in _judge_delay(float(ms), got["delays_ms"])),
        *(_judge_loss(float(pct), LOSS_PACKETS - got["received"]) for pct, got in losses.items()),
        *(_judge_rate(float(mbps), got["bits_per_s"] / 1e6) for mbps, got in rates.items()),
    )
    samples = {
        "mbps": speeds,
        "delays_ms": {ms: got["delays_ms"] for ms, got in delays.items()},
        "lost": {pct: LOSS_PACKETS - got["received"] for pct, got in losses.items()},
        "rates_mbps": {mbps: got["bits_per_s"] / 1e6 for mbps, got in rates.items()},
    }
    note = (
        f"TCP between two containers, {REPETITIONS} times {TCP_S:g} s each way in turns, MTU {MTU_BYTES}; up is modem "
        "to gateway; both ends share this machine's cores with sender and receiver. A loss is met where the 95 % "
        "interval of what was lost holds it: one in twenty misses by chance."
    )
    return Result("radio_link", "the radio link through TUN and GTP-U", figures, (note,), samples)


def _measure_speeds(lab: RadioLab, say: Callable[[str], None]) -> dict[str, list[float]]:
    speeds: dict[str, list[float]] = {f"{side} {way}": [] for way in WAYS for side in ("plain", "gtp")}
    for number in range(REPETITIONS):
        for way, (source, sink) in WAYS.items():
            for side, addresses in (("plain", PLAIN), ("gtp", INNER)):
                speeds[f"{side} {way}"].append(_time_tcp(lab, source, sink, addresses[sink]))
        latest = ", ".join(f"{name} {values[-1]:.0f}" for name, values in speeds.items())
        say(f"round {number + 1} of {REPETITIONS}: {latest} Mbit/s")
    return speeds


def _time_tcp(lab: RadioLab, source: str, sink: str, target: str) -> float:
    taking = lab.start(sink, "take_tcp", address=target, port=5001)
    lab.start(source, "send_tcp", target=target, port=5001, seconds=TCP_S)
    taken = lab.wait(taking)
    return float(taken["bytes"] * 8 / taken["took_s"] / 1e6)


def _send_shaped(lab: RadioLab, shape: dict[str, float], count: int, per_s: float, size: int) -> dict[str, Any]:
    """Send datagrams down through a shape; return what came."""
    lab.ask(GATEWAY, "shape", **{**CLEAR, **shape})
    lab.ask(MODEM, "open_sink", address=INNER[MODEM], port=5002)
    lab.ask(GATEWAY, "send_udp", target=INNER[MODEM], port=5002, count=count, per_s=per_s, packet_bytes=size)
    got: dict[str, Any] = lab.ask(MODEM, "read_sink", port=5002)
    lab.ask(GATEWAY, "shape", **CLEAR)
    return got


def _send_at_rate(lab: RadioLab, mbps: int) -> dict[str, Any]:
    per_s = mbps * 1e6 * RATE_OVERLOAD / (MTU_BYTES * 8)
    return _send_shaped(lab, {"down_bps": mbps * 1_000_000}, int(per_s * RATE_S), per_s, MTU_BYTES)


def _judge_speeds(speeds: dict[str, list[float]]) -> tuple[Figure, ...]:
    figures = []
    for way in WAYS:
        plain, gtp = speeds[f"plain {way}"], speeds[f"gtp {way}"]
        figures += [
            more_than(f"throughput {way}, median", find_median(gtp), "Mbit/s", TARGET_MBPS),
            report(f"  without TUN and GTP-U {way}", find_median(plain), "Mbit/s"),
            report(f"  ratio {way}", find_ratio(gtp, plain), ""),
        ]
    return tuple(figures)


def _judge_delay(set_ms: float, delays_ms: list[float]) -> tuple[Figure, ...]:
    off_ms = find_median(delays_ms) - set_ms
    return (
        Figure(f"delay {set_ms:g} ms, median off by", off_ms, "ms", "+/- 1", abs(off_ms) <= DELAY_LIMIT_MS),
        report("  95th percentile off by", find_percentile(delays_ms, 95) - set_ms, "ms"),
    )


def _judge_loss(set_pct: float, lost: int) -> Figure:
    interval = find_wilson(lost, LOSS_PACKETS)
    target = f"{interval.low * 100:.2f}..{interval.high * 100:.2f}"
    name = f"loss {set_pct:g} %, {lost} of {LOSS_PACKETS} lost"
    return Figure(name, set_pct, "%", target, interval.holds(set_pct / 100))


def _judge_rate(set_mbps: float, seen_mbps: float) -> Figure:
    share = seen_mbps / set_mbps
    return Figure(f"rate {set_mbps:g} Mbit/s, seen / set", share, "", "1 +/- 0.05", abs(share - 1) <= RATE_LIMIT)
