"""Stage instants as the harness has them, against the packets of the same events in the captures. Reads run folders.

Compared is the stamp of the observation that ends a stage with the kernel's stamp of the packet that carried the event.
Captures have wall time; it is brought to the harness's clock by `wall_ns - at_ns` of nodes that keep the true time.

Left out, for they have no packet: `powered` (the console's own word) and `wan_obtained` (the grant goes over the
bench's radio signalling, which is never captured, since passwords cross there).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from harness.core.model import Observation
from harness.run_folder import SavedRun, load_run
from harness.stages._shared import UNFAKED
from tests.bench import wire_events
from tests.bench.figures import Figure, Result, report
from tests.bench.runs import Runs
from tests.bench.stats import find_median, find_percentile

RUNS = 5
LIMIT_MS = 10.0
PROTOCOLS = {"icmp": 1, "tcp": 6, "udp": 17}
NAT_ADDRESS, MANAGEMENT = "198.18.0.10", "198.18.0.20"  # DEVELOPERS.md, Links


class _Folder:
    """One run: observations, packets, and the way from one clock to the other."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.saved: SavedRun = load_run(path)
        self.seen = [entry.observation for entry in self.saved.tape if entry.observation is not None]
        self.wall_less_own_ns = int(find_median([o.wall_ns - o.at_ns for o in self.seen if o.source in UNFAKED]))

    def packets(self, name: str) -> list[wire_events.Packet]:
        return list(wire_events.read_packets((self._path / "captures" / f"{name}.pcap").read_bytes()))

    def find(self, source: str, kind: str, **data: object) -> Observation | None:
        return next(iter(self.find_all(source, kind, **data)), None)

    def find_all(self, source: str, kind: str, **data: object) -> list[Observation]:
        return [o for o in self.seen if (o.source, o.kind) == (source, kind) and data.items() <= o.data.items()]


Pair = tuple[Observation, int | None]
"""What the harness saw, and the wall time of its packet."""


def compare(path: Path) -> dict[str, float]:
    """Return stage name to harness's instant less packet's, in ms. A stage whose packet was not found is not there."""
    run = _Folder(path)
    finders: dict[str, Callable[[_Folder], list[Pair]]] = {
        "online": _find_online,
        "checked_in": lambda r: _find_report(r, "bootstrap-initiated"),
        "upgraded": _find_upgraded,
        "configured": lambda r: _find_report(r, "bootstrap-complete"),
        "tunnel_up": _find_tunnel,
        "hq_reached": _find_echo,
    }
    found: dict[str, float] = {}
    for stage, finder in finders.items():
        pairs = finder(run)
        stamps = [stamp for _, stamp in pairs if stamp is not None]
        if pairs and len(stamps) == len(pairs):
            own_ns = max(seen.at_ns for seen, _ in pairs)
            found[stage] = (own_ns - (max(stamps) - run.wall_less_own_ns)) / 1e6
    return found


def _find_online(run: _Folder) -> list[Pair]:
    used = run.find("carrier", "address.first_used")
    names = {server.address for server in run.saved.plan.branch.bootstrap}
    answered = next((o for o in run.find_all("carrier", "name.answered") if o.data.get("name") in names), None)
    if used is None or answered is None:
        return []
    protocol, destination = PROTOCOLS.get(str(used.data["protocol"]), 0), str(used.data["destination"])
    packets = run.packets("carrier-inet")
    return [
        (used, wire_events.find_first_out(packets, NAT_ADDRESS, destination, protocol)),
        (answered, wire_events.find_name_answer(packets, NAT_ADDRESS, str(answered.data["name"]))),
    ]


def _number_of_report(run: _Folder, talk: wire_events.ManagementTalk, wanted: Observation) -> int | None:
    """Return which 204 a report's was, where as many were sent as reported."""
    empties = run.find_all("management", "restconf.exchanged", status=204)
    reports = run.find_all("management", "report.received", status=204)
    return reports.index(wanted) if len(empties) == len(reports) == talk.count else None


def _find_report(run: _Folder, kind: str) -> list[Pair]:
    seen = run.find("management", "report.received", progress_type=kind, status=204)
    if seen is None:
        return []
    talk = wire_events.ManagementTalk(run.packets("carrier-inet"), MANAGEMENT)
    number = _number_of_report(run, talk, seen)
    return [(seen, None if number is None else talk.find_empty(number))]


def _find_upgraded(run: _Folder) -> list[Pair]:
    """The data's answer, which is the one before the 204 to the second boot's first report."""
    asked = run.find("management", "data.requested", os_version=run.saved.plan.branch.release)
    reports = run.find_all("management", "report.received", progress_type="bootstrap-initiated", status=204)
    after = next((o for o in reports if asked is not None and o.at_ns > asked.at_ns), None)
    if asked is None or after is None:
        return []
    talk = wire_events.ManagementTalk(run.packets("carrier-inet"), MANAGEMENT)
    number = _number_of_report(run, talk, after)
    return [(asked, None if number is None else talk.find_head_before(number))]


def _find_tunnel(run: _Folder) -> list[Pair]:
    established, installed = run.find("hq-gateway", "sa.established"), run.find("hq-gateway", "child.installed")
    response = wire_events.find_auth_response(run.packets("hq-gateway-inet"))
    return [(seen, response) for seen in (established, installed) if seen is not None]


def _find_echo(run: _Folder) -> list[Pair]:
    seen = run.find("hq-endpoint", "echo.received")
    if seen is None:
        return []
    source, identifier, number = str(seen.data["source"]), int(seen.data["id"]), int(seen.data["seq"])
    return [(seen, wire_events.find_echo(run.packets("hq-gateway-hqlan"), source, identifier, number))]


def measure(runs: Runs) -> Result:
    """Compare all stages of RUNS runs."""
    compared = [compare(run.folder) for run in runs.take(RUNS)]
    stages = list(dict.fromkeys(stage for each in compared for stage in each))
    by_stage = {stage: [each[stage] for each in compared if stage in each] for stage in stages}
    distances = [abs(value) for values in by_stage.values() for value in values]
    near = sum(distance <= LIMIT_MS for distance in distances) / len(distances)
    rows = tuple(report(f"  {stage}, median of {len(v)}", find_median(v), "ms") for stage, v in by_stage.items())
    return Result(
        "stage_times",
        "stage instants less their packets' in the captures",
        (
            Figure(f"share within {LIMIT_MS:g} ms", near * 100, "%", ">= 95", near >= 0.95),
            report("95th percentile of the distance", find_percentile(distances, 95), "ms"),
            report("largest distance", max(distances), "ms"),
            *rows,
        ),
        (f"{len(distances)} pairs of {len(compared)} runs; powered and wan_obtained have no packet in a capture.",),
        {"ms": by_stage},
    )
