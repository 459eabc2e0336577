"""Lab up, ours against docker-compose on the same file, both until the router's loader starts a slot. I/O: engine.

Both sides end at the same event, `slot.started`, by the stamp that the loader itself put on it (CLOCK_MONOTONIC, one
kernel with us), so that neither side's reading of logs counts. Ours begins before `DockerLab` is built, so keys,
images and seeds count; Compose gets its seeds beforehand. Ours gives power only once those are ready that the
router meets first, and begins with the HQ side and the clients then; Compose starts all of them and waits for nobody.
harbour-office needs every service and network of compose/lab.yaml, so both sides build the same.
"""

from __future__ import annotations

import contextlib
import os
import secrets as random
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import docker

from emulators.common import wire
from harness.core.model import Plan, PowerOn
from harness.lab.compose_file import LAB_FILE
from harness.lab.docker_lab import DockerLab
from harness.lab.topology import Topology
from harness.profile.compile import compile_plan, site_names
from harness.profile.load import load_profile
from harness.profile.secrets import resolve_secrets
from tests.bench.figures import BenchError, Result, at_most, report
from tests.bench.stats import find_median, find_ratio

PROFILE = LAB_FILE.parents[1] / "profiles" / "harbour-office.yaml"
PAIRS = 3
EVENT_TIMEOUT_S = 120.0
COMMAND_TIMEOUT_S = 180.0
OVERLAP = "Pool overlaps"  # the engine's words
OTHERS_TIMEOUT_S, OTHERS_PAUSE_S = 120.0, 3.0


def measure(say: Callable[[str], None]) -> Result:
    """Bring the lab up and down PAIRS times each way, in turns."""
    loaded = load_profile(PROFILE)
    plan = compile_plan(loaded, next(iter(site_names(loaded))), "fast", None)
    ours: list[float] = []
    theirs: list[float] = []
    with tempfile.TemporaryDirectory(prefix="bpbench-") as folder:
        seeds = Path(folder) / "seeds"
        _run([str(Path(sys.executable).with_name("branchproof")), "seed", str(PROFILE), "--out", str(seeds)])
        for number in range(PAIRS):
            ours.append(_time_ours(plan))
            theirs.append(_time_compose(seeds))
            say(f"pair {number + 1} of {PAIRS}: ours {ours[-1]:.2f} s, compose {theirs[-1]:.2f} s")
    return Result(
        "lab_up",
        "from the call to the router's slot.started, against docker-compose",
        (
            at_most("ratio ours / compose", find_ratio(ours, theirs), "", 0.6),
            report("ours, median", find_median(ours), "s"),
            report("compose, median", find_median(theirs), "s"),
        ),
        (f"{_count(DockerLab(plan, resolve_secrets(plan), 'count').topology)} on both sides; medians of {PAIRS}.",),
        {"ours_s": ours, "compose_s": theirs},
    )


def _count(topology: Topology) -> str:
    return f"{len(topology.services)} services and {len(topology.networks)} networks"


def _time_ours(plan: Plan) -> float:
    began_ns = time.monotonic_ns()
    lab = DockerLab(plan, resolve_secrets(plan), random.token_hex(3))
    try:
        lab.start()
        lab.perform(PowerOn())
        deadline_ns = time.monotonic_ns() + int(EVENT_TIMEOUT_S * 1e9)
        while (seen := lab.wait_observation(deadline_ns)) is not None:
            if seen.source == "router" and seen.kind == "slot.started":
                return (seen.at_ns - began_ns) / 1e9
    finally:
        lab.stop()
    raise BenchError(f"expected the router's slot.started within {EVENT_TIMEOUT_S:g} s, saw none")


def _time_compose(seeds: Path) -> float:
    """Time Compose. The file has subnets of its own: where another lab by hand holds them, wait until it is gone."""
    until_s = time.monotonic() + OTHERS_TIMEOUT_S
    while True:
        try:
            return _time_compose_once(seeds)
        except BenchError as error:
            if OVERLAP not in str(error) or time.monotonic() > until_s:
                raise
            time.sleep(OTHERS_PAUSE_S)


def _time_compose_once(seeds: Path) -> float:
    project = f"bpbench-{random.token_hex(3)}"
    command = ["docker-compose", "-p", project, "-f", str(LAB_FILE)]
    environment = {**os.environ, "BRANCHPROOF_SEEDS": str(seeds)}
    with _follow(project) as slot_started:
        try:
            began_ns = time.monotonic_ns()
            _run([*command, "up", "-d"], environment)
            return (slot_started() - began_ns) / 1e9
        finally:
            _run([*command, "down", "-v", "--remove-orphans", "-t", "0"], environment)


@contextlib.contextmanager
def _follow(project: str) -> Iterator[Callable[[], int]]:
    """Follow the router's log from its container's start on; yields a function that waits for the event's stamp."""
    client = docker.from_env(timeout=int(EVENT_TIMEOUT_S))
    found: list[int] = []
    done = threading.Event()
    labels = [f"com.docker.compose.project={project}", "com.docker.compose.service=router"]
    starts = client.events(decode=True, filters={"type": "container", "event": "start", "label": labels})

    def read() -> None:
        with contextlib.suppress(Exception):  # the streams are closed under us at the end; no stamp is the error
            container = client.containers.get(next(starts)["id"])
            for line in _split(container.logs(stream=True, follow=True, stdout=True, stderr=False)):
                event = wire.parse_event(line)
                if event.kind == "slot.started":
                    found.append(event.at_ns)
                    break
        done.set()

    def wait() -> int:
        if not done.wait(EVENT_TIMEOUT_S) or not found:
            raise BenchError(f"expected slot.started in the router's log of {project}, saw none")
        return found[0]

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    try:
        yield wait
    finally:
        starts.close()
        reader.join(5)
        client.close()


def _split(chunks: Iterator[bytes]) -> Iterator[bytes]:
    rest = b""
    for chunk in chunks:
        *lines, rest = (rest + chunk).split(b"\n")
        yield from (line for line in lines if line.startswith(b"{"))


def _run(command: list[str], environment: dict[str, str] | None = None) -> None:
    done = subprocess.run(
        command, env=environment, capture_output=True, text=True, check=False, timeout=COMMAND_TIMEOUT_S
    )
    if done.returncode:
        raise BenchError(f"{' '.join(command)}: exit {done.returncode}: {done.stderr[-1500:]}")
