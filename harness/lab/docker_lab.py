"""The lab of one plan: which services it needs, what they are told, what is brought home. Layer: lab.

`DockerLab(plan, secrets, run_id)` is a ports.Lab. Not here: running containers (containers.py), seeds (seeds.py).
"""

from __future__ import annotations

import json
import os
import random
import stat
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from harness.core.model import Action, Ask, Plan
from harness.core.references import OPERATOR_KEY, fill_references
from harness.lab.compose_file import load_topology
from harness.lab.containers import ContainerLab, Fetch
from harness.lab.device_seed import Secrets
from harness.lab.firmware import build_factory_image, build_release_image
from harness.lab.pki import Subjects, make_pki
from harness.lab.ports import Clock
from harness.lab.seeds import Materials, build_seeds, operator_probe
from harness.lab.topology import Topology, select_services

ALWAYS = ("router", "carrier", "internet", "management", "hq-gateway", "hq-endpoint")
CAPTURED = (
    ("carrier", "radio"),
    ("carrier", "inet"),
    ("carrier", "gtp0"),
    ("internet", "inet"),
    ("internet", "fixed"),
    ("hq-gateway", "inet"),
    ("hq-gateway", "hqlan"),
)
"""Where a stand-in may have captured (see emulators/common/capture.py); a file that is not there is left out."""


class DockerLab(ContainerLab):
    """One plan's lab in containers. `operator` is what the `ssh` probe needs to be the operator (or empty)."""

    def __init__(
        self,
        plan: Plan,
        secrets: Secrets,
        run_id: str,
        clock: Clock | None = None,
        materials: Materials | None = None,
    ) -> None:
        self._materials = materials or make_materials(plan)
        self.operator = operator_probe(plan.branch, self._materials)
        fetches = tuple(
            Fetch(node, f"/run/capture/{link}.pcap", f"captures/{node}-{link}.pcap") for node, link in CAPTURED
        )
        super().__init__(
            select_for_plan(load_topology(), plan),
            lambda topology: build_seeds(plan, secrets, self._materials, topology, run_id),
            run_id,
            late=frozenset(name for name in load_topology().services if name.startswith(("client", "hq-"))),
            fetches=fetches,
            clock=clock,
        )
        self._values = {**secrets, OPERATOR_KEY.ref: self._materials.pki.operator.private_pem}

    def perform(self, action: Action) -> None:
        """Carry out one action. Secrets come into an ask's arguments here, on their way out, and nowhere before."""
        if isinstance(action, Ask):
            action = replace(action, args=fill_references(action.args, self._values))
        super().perform(action)


def select_for_plan(topology: Topology, plan: Plan) -> Topology:
    """Return what the plan needs: clients on the ports that segments use, the fixed line where it is an uplink."""
    ports = sorted({port for segment in plan.branch.segments for port in segment.ports})
    clients = [f"client{port}" for port in ports if f"client{port}" in topology.services]
    unused = () if "ethernet" in plan.branch.uplinks else ("fixed",)
    return select_services(topology, [*ALWAYS, *clients], drop_networks=unused)


def make_materials(plan: Plan) -> Materials:
    """Make a run's keys, certificates, images and PUKs."""
    branch = plan.branch
    subjects = Subjects(
        serial=branch.serial,
        mac=branch.mac,
        bootstrap_hosts=tuple(server.address for server in branch.bootstrap),
        gateway_id=branch.tunnel.remote_id,
        branch_id=branch.tunnel.local_id,
    )
    pki = make_pki(subjects, datetime.now(UTC), datetime.fromisoformat(plan.hardware.clock_at_power_on))
    signer = pki.firmware.private_pem
    chance = random.SystemRandom()
    return Materials(
        pki=pki,
        factory=build_factory_image(plan.hardware, signer),
        release=build_release_image(plan.hardware, branch.release, signer),
        puks={sim.slot: f"{chance.randrange(10**8):08d}" for sim in branch.sims},
    )


def write_seeds(plan: Plan, secrets: Secrets, out_dir: Path, run_id: str = "by-hand") -> tuple[Path, ...]:
    """Write one seed file a node for `docker-compose -f compose/lab.yaml up`, readable by the owner only.

    Every service of lab.yaml gets one, also those that the plan has no use for, since compose starts them all.
    """
    seeds: Mapping[str, object] = build_seeds(plan, secrets, make_materials(plan), load_topology(), run_id)
    out_dir.mkdir(parents=True, exist_ok=True, mode=0o700)
    written = []
    for node, seed in sorted(seeds.items()):
        path = out_dir / f"{node}.json"
        path.unlink(missing_ok=True)
        mode = stat.S_IRUSR | stat.S_IWUSR
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "w", encoding="utf-8") as file:
            json.dump(seed, file, ensure_ascii=False, separators=(",", ":"))
        written.append(path)
    return tuple(written)
