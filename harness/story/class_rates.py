"""What of each class of the uplink arrived while it was full, tenth of a second by tenth. Layer: story, pure.

Rates are those of packets as the uplink carries them, in the receivers' own bins of their kernel's monotonic clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from emulators.common.controls import Qos
from harness.checks._qos_judge import NAME
from harness.checks._qos_load import (
    DATA_BYTES,
    DIRECT,
    INSIDE,
    MARKED,
    SHARE,
    find_default,
    find_esp_suite,
    find_wire_bytes,
    list_urgent,
    load_flow,
    packet_bytes,
)
from harness.core.entries import ANSWERED, Evidence, Seen, as_count, as_list
from harness.core.model import Observation, Plan
from harness.core.sizes import Suite
from harness.core.timing import to_s
from harness.story.model import Series

BIN_NS = 100_000_000

Bins = Mapping[int, Mapping[int, int]]
"""Stream to (bin to packets)."""


def list_class_rates(plan: Plan, seen: Sequence[Observation], zero_ns: int, offset_ns: int) -> Iterator[Series]:
    """Yield each class of which something arrived. `offset_ns`: the nodes' monotonic clock less the harness's."""
    qos, bins = plan.branch.qos, _read_bins(seen)
    if qos is None or not bins:
        return
    suite = find_esp_suite(plan, Evidence(Seen(n, o) for n, o in enumerate(seen)))
    if suite is None:
        return
    for name, limit_bps, told, streams in _list_classes(qos, suite):
        rates: dict[int, int] = {}
        for flow, size in streams:
            for at, count in bins.get(flow, {}).items():
                rates[at] = rates.get(at, 0) + count * size * 8
        points = [(to_s(at * BIN_NS - offset_ns - zero_ns), bits * 1e9 / BIN_NS / 1e6) for at, bits in rates.items()]
        limit = None if limit_bps is None else limit_bps / 1e6
        title = f"what arrives of class {name} while the uplink is full"
        if points:
            yield Series(f"qos.{name}", title, "Mbit/s", tuple(sorted(points)), limit, told)


def _list_classes(qos: Qos, suite: Suite) -> Iterator[tuple[str, int | None, str, Sequence[tuple[int, int]]]]:
    """Yield name, guaranteed rate, its words, and (stream, size of a packet on the uplink) of each."""
    for place, one in list_urgent(qos):
        size = find_wire_bytes(packet_bytes(one), suite)
        told = f"guaranteed {one.guaranteed_bps / 1e6:g} Mbit/s, of which {SHARE:.0%} are offered"
        yield one.name, one.guaranteed_bps, told, [(load_flow(place), size)]
    rest = [(INSIDE, find_wire_bytes(DATA_BYTES, suite)), (DIRECT, DATA_BYTES), (MARKED, DATA_BYTES)]
    told = f"no limit: what the others leave of {qos.uplink_bps / 1e6:g} Mbit/s, of which twice as much is offered"
    yield find_default(qos).name, None, told, rest


def _read_bins(seen: Iterable[Observation]) -> Bins:
    found: dict[int, dict[int, int]] = {}
    for o in seen:
        result = o.data.get("result")
        if (
            o.kind == ANSWERED
            and str(o.data.get("label")).startswith(f"{NAME}.collect.")
            and isinstance(result, Mapping)
        ):
            for flow in as_list(result.get("flows")):
                if isinstance(flow, Mapping):
                    pairs = (b for b in as_list(flow.get("bins")) if len(as_list(b)) == 2)
                    found[as_count(flow.get("flow"))] = {as_count(at): as_count(count) for at, count in pairs}
    return found
