"""The lab of one plan: which services it needs, what they are told, what is brought home. Layer: lab.

`DockerLab(plan, secrets, run_id)` is a ports.Lab. Not here: running containers (containers.py), seeds (seeds.py).
"""

from __future__ import annotations

import copy
import json
import os
import random
import stat
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from emulators.common.device_config import DeviceConfig, digest_config, render_config
from emulators.common.record import from_json
from harness.core.entries import Spoil
from harness.core.model import Action, Ask, Plan
from harness.core.references import OPERATOR_KEY, OPERATOR_PASSWORD, fill_references
from harness.lab.bench_links import MANAGEMENT
from harness.lab.compose_file import load_topology
from harness.lab.containers import ContainerLab, Fetch
from harness.lab.device_seed import Secrets
from harness.lab.engine import Engine
from harness.lab.firmware import build_factory_image, build_release_image, build_spares
from harness.lab.papers import Papers, render_papers
from harness.lab.pki import Subjects, make_pki
from harness.lab.ports import Clock
from harness.lab.seed_admission import list_secrets, make_access
from harness.lab.seed_internet import DeskAccount
from harness.lab.seeds import Materials, build_seeds, operator_probe
from harness.lab.topology import Topology, for_run, select_services

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


SERVED_SETTINGS = ("config", "alerts", "operators")
"""Settings of the management server that may be changed while it runs."""


class DockerLab(ContainerLab):
    """One plan's lab in containers. `operator` is what the `ssh` probe needs to be the operator (or empty);
    `made_secrets` are the run's own, by their reference."""

    def __init__(
        self,
        plan: Plan,
        secrets: Secrets,
        run_id: str,
        clock: Clock | None = None,
        materials: Materials | None = None,
        *,
        whole: bool = False,
    ) -> None:
        self._materials = materials or make_materials(plan)
        self.folder = ""
        """The run's folder, for whoever takes the lab over."""
        self.operator = operator_probe(plan.branch, self._materials)
        fetches = tuple(
            Fetch(node, f"/run/capture/{link}.pcap", f"captures/{node}-{link}.pcap") for node, link in CAPTURED
        )
        fetches += (Fetch("management", "/run/audit/operators.jsonl", "audit/operators.jsonl"),)
        topology = load_topology()
        super().__init__(
            select_for_plan(topology, plan),
            lambda topology: build_seeds(plan, secrets, self._materials, topology, run_id),
            run_id,
            late=frozenset(n for n in topology.services if n.startswith(("client", "hq-")) and not whole),
            called={"config.applied": frozenset(n for n in topology.services if n.startswith("hq-"))},
            fetches=fetches,
            clock=clock,
        )
        pki = self._materials.pki
        self.made_secrets = {
            OPERATOR_KEY.ref: pki.operator.private_pem,
            OPERATOR_PASSWORD.ref: pki.operator_password,
            **list_secrets(self._materials.access),
        }
        self._values = {**secrets, **self.made_secrets}

    def perform(self, action: Action) -> None:
        """Carry out one action. Secrets come into an ask's arguments here, on their way out, and nowhere before."""
        if isinstance(action, Ask):
            action = replace(action, args=fill_references(action.args, self._values))
        super().perform(action)

    def write_papers(self) -> bytes:
        """Return what whoever takes the lab over needs: in clear, for the engine alone."""
        return render_papers(
            Papers(
                self.run_id,
                self.folder,
                self._seeds,
                self._materials,
                tuple(sorted(self._assembly.nodes)) if self._assembly is not None else (),
                {name: network.subnet for name, network in self.topology.networks.items()},
                self._talk.count_on(None),
                not self._is_dark,
            )
        )

    def plan_seeds(self, papers: Papers) -> Mapping[str, Any]:
        """Return the seeds of this plan in the lab that the papers are of, as JSON has them."""
        seeds: Mapping[str, Any] = json.loads(json.dumps(self._make_seeds(self._in_lab(papers))))
        return seeds

    def _in_lab(self, papers: Papers) -> Topology:
        return for_run(self.topology, self.run_id, papers.subnets)

    def take_over(self, engine: Engine, containers: Mapping[str, str], papers: Papers) -> None:
        """Join the lab that the papers are of, with this plan's seeds in place of those. Raises: LabError."""
        nodes = {name: container for name, container in containers.items() if name in papers.nodes}
        self.join(engine, nodes, self._in_lab(papers), papers.commands)

    def forget_told(self, seeds: Mapping[str, Any]) -> None:
        """Go by what the stand-ins were told before: they were not told all of the new, and will have to be."""
        self._seeds = seeds

    def serve(self, spoil: Spoil | None, label: str) -> str:
        """Have management serve what the plan says, spoiled or (None) as it is. Returns the configuration's digest."""
        settings = self._seeds["management"]["settings"]
        served = copy.deepcopy({key: settings[key] for key in SERVED_SETTINGS if key in settings})
        if spoil is not None:
            spoil.change(served["config"] if spoil.on == "device" else served)
        super().perform(Ask("management", "serve", served, label))
        return _digest(served["config"])

    def forget_asks(self) -> None:
        """Give what was asked so far no label any more: who asks next under the same label gets no answer of before."""
        self._intake.forget_labels()

    def find_digest(self) -> str:
        """Return the digest of the configuration that the plan asks for."""
        return _digest(self._seeds["management"]["settings"]["config"])


def _digest(config: Any) -> str:
    return digest_config(render_config(from_json(DeviceConfig, config)))


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
        second_server=MANAGEMENT,
        **({"log_server": branch.logging.server} if branch.logging else {}),
        **({"webhook": urlsplit(branch.alerts.webhook).hostname or ""} if branch.alerts else {}),
        **({"sign_in": urlsplit(branch.operators.issuer).hostname or ""} if branch.operators else {}),
    )
    pki = make_pki(subjects, datetime.now(UTC), datetime.fromisoformat(plan.hardware.clock_at_power_on))
    signer = pki.firmware.private_pem
    chance = random.SystemRandom()
    return Materials(
        pki=pki,
        factory=build_factory_image(plan.hardware, signer),
        release=build_release_image(plan.hardware, branch.release, signer),
        puks={sim.slot: f"{chance.randrange(10**8):08d}" for sim in branch.sims},
        desk=DeskAccount(chance.randbytes(12).hex(), chance.randbytes(20)),
        access=make_access(plan, datetime.now(UTC)),
        spares=build_spares(plan.hardware, branch.release, signer, pki.other_firmware.private_pem),
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
