"""A topology brought to life in containers: the live half of the Lab. Layer: lab, I/O, threads.

Law: `stop` runs every step whatever one of them says.

Not here: which services, which seeds (docker_lab.py); the order of building (assembly.py); seeds on their way
(seeding.py); channels (conversation.py); how an event becomes an observation (intake.py); clocks (clocks.py); what the
lab is made of (facts.py); the mark of a lab that is kept (kept.py).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from harness.core.model import Action, Observation, Plug, PowerCut, PowerOn
from harness.errors import LabError
from harness.lab.assembly import Assembly, Nodes, Standing
from harness.lab.channel import EventSeen
from harness.lab.clocks import SystemClock, measure_offset
from harness.lab.conversation import Conversation
from harness.lab.engine import Engine, Resource
from harness.lab.facts import read_facts
from harness.lab.intake import Intake
from harness.lab.kept import mark_kept
from harness.lab.latecomers import Latecomers
from harness.lab.owner import RUN_LABEL, describe_self, make_labels
from harness.lab.ports import Clock
from harness.lab.removal import remove_labelled
from harness.lab.seeding import Seed, deliver_seeds, send_seed
from harness.lab.severing import plug_link, sever_links
from harness.lab.topology import Topology, Volume

MakeSeeds = Callable[[Topology], Mapping[str, Seed]]

READY_S = 60.0
"""From the last start to the last node.ready. 1 to 3 s here; a loaded machine gets a wide margin."""
ANSWER_S = 30.0
"""For an answer that we ask for ourselves (clock, fetch)."""


@dataclass(frozen=True, slots=True)
class Fetch:
    """A file to bring home: node, path inside it, and its name in the run folder."""

    node: str
    path: str
    name: str


class ContainerLab:
    """Implements ports.Lab over any topology whose nodes keep the bench's lines.

    PowerOn gives `router` its seed, without which its PID 1 does nothing; after a power cut it starts the container,
    too. Nodes in `late` are begun then: the router does not meet them while it boots. `called` says from what kind of
    event on it does, and which.
    """

    def __init__(
        self,
        topology: Topology,
        make_seeds: MakeSeeds,
        run_id: str,
        *,
        router: str = "router",
        late: frozenset[str] = frozenset(),
        called: Mapping[str, frozenset[str]] = MappingProxyType({}),
        fetches: tuple[Fetch, ...] = (),
        clock: Clock | None = None,
    ) -> None:
        self.run_id = run_id
        self.topology = topology
        self._make_seeds, self._router, self._fetches = make_seeds, router, fetches
        self._late, self._called = late & frozenset(topology.services), called
        self._is_wired = False
        self._latecomers: Latecomers | None = None
        self._clock: Clock = clock or SystemClock()
        self._engine: Engine | None = None
        self._assembly: Nodes | None = None
        self._talk = Conversation(run_id, topology.services, self._clock)
        self._intake = Intake()
        self._router_id: str | None = None
        self._seeds: Mapping[str, Seed] = {}
        self._run_labels: Mapping[str, str] = {}
        self._powered = False
        self._is_dark = False
        """Power was cut and the container with it. Before the first PowerOn it runs, and waits for its seed."""
        self._mark: Resource | None = None
        """Says that a lab which was left up is worked with again."""
        self._facts: dict[str, Any] = {"run": run_id}
        self._times: dict[str, float] = {}

    # ------------------------------------------------------------ start

    def start(self) -> None:
        """See ports.Lab. Raises: LabError."""
        began_ns = self._clock.now_ns()
        self._engine = Engine()
        self._run_labels = make_labels(self.run_id, describe_self(), time.time())
        self._facts |= read_facts(self._engine, self.topology)
        self._assembly = assembly = Assembly(
            self._engine,
            self.topology,
            self.run_id,
            self._run_labels,
            late=self._late,
            on_container=self._attach,
        )
        self._latecomers = Latecomers(self._assembly, self._talk, self._clock, READY_S, self._called)
        self.topology = assembly.wait_networks()
        self._seeds = self._make_seeds(self.topology)
        self._times["networks_s"] = (self._clock.now_ns() - began_ns) / 1e9
        deliver_seeds(self._talk, assembly, self._seeds, but=self._router, ready_s=READY_S)
        self._is_wired = True
        self._times["containers_s"] = (self._clock.now_ns() - began_ns) / 1e9
        self._talk.wait_kind("node.ready", set(self._assembly.nodes) - {self._router}, READY_S)
        self._times["ready_s"] = (self._clock.now_ns() - began_ns) / 1e9
        self._measure_offset(sorted(set(self._assembly.nodes) - {self._router}))
        self._times["start_s"] = (self._clock.now_ns() - began_ns) / 1e9

    def join(self, engine: Engine, containers: Mapping[str, str], topology: Topology, since: int) -> None:
        """Take over a lab that was left up, power on. `topology`: under the run's own names; `since`: the number from
        which commands are counted. Raises: LabError."""
        began_ns = self._clock.now_ns()
        self._engine, self.topology = engine, topology
        self._run_labels = make_labels(self.run_id, describe_self(), time.time())
        volume = Volume("in-use", f"bp-{self.run_id}-in-use")
        self._mark = Resource("volume", volume.engine_name, volume.engine_name, self._run_labels)
        engine.remove(self._mark)  # of a process that was killed here: labels cannot be changed once made
        engine.create_volume(volume, self._run_labels)  # its owner lives: no sweep takes the lab away meanwhile
        self._assembly = Standing(containers)
        self._latecomers = Latecomers(self._assembly, self._talk, self._clock, READY_S, self._called)
        self._seeds = self._make_seeds(topology)
        self._talk.count_on(since)
        self._facts |= read_facts(engine, topology)
        with ThreadPoolExecutor(4, thread_name_prefix="attach") as pool:
            list(pool.map(lambda pair: self._talk.attach(engine, *pair, joins=True), containers.items()))
        self._router_id, self._powered = containers[self._router], True
        self._measure_offset(sorted(set(containers) - {self._router}))
        self._times["start_s"] = (self._clock.now_ns() - began_ns) / 1e9

    def _attach(self, node: str, container: str) -> None:
        assert self._engine is not None
        self._talk.attach(self._engine, node, container)
        if node == self._router:
            self._router_id = container
        elif self._is_wired:
            send_seed(self._talk, self._seeds, node)

    def _measure_offset(self, nodes: list[str]) -> None:
        offset = self._intake.offset = measure_offset(self._talk, self._clock, nodes, ANSWER_S)
        self._facts["clock"] = {"offset_ns": offset.offset_ns, "bound_ns": offset.bound_ns, "samples": offset.samples}

    # ------------------------------------------------------------ run

    def perform(self, action: Action) -> None:
        """See ports.Lab. Raises: LabError."""
        if isinstance(action, PowerOn):
            self._power_on()
            return
        if isinstance(action, PowerCut):
            self.power_cut()
            return
        if isinstance(action, Plug):
            self._plug(action)
            return
        if self._latecomers is not None:
            if action.node in self._late:
                self._latecomers.begin()
            self._latecomers.wait_attached(action.node)
        if not self._can_ask(action.node):
            raise LabError(
                expected=f"a running node to ask {action.ask!r}",
                seen=f"{action.node!r}; running are {', '.join(self._running()) or 'none'}",
                where="lab",
                hint="a bug in a stage or check, unless the lab was not started",
            )
        self._intake.expect(self._talk.command(action.node, action.ask, action.args), action.label)

    def _plug(self, action: Plug) -> None:
        if self._engine is not None:
            plug_link(self._engine, self.topology, (self._router, action.link), action.into, self._run_labels)

    def power_cut(self) -> None:
        """Take the router's power: its container is killed, its links are cut, its volume stays. PowerOn gives power
        again. Raises: LabError."""
        if not self._powered or self._engine is None or self._router_id is None:
            return
        self._powered = False
        self._is_dark = True
        self._engine.kill(self._router_id)
        self._engine.wait_exit(self._router_id, int(ANSWER_S))
        sever_links(self._engine, self.topology, self._router, self._run_labels)
        self._talk.detach(self._router)

    def _power_on(self) -> None:
        if self._engine is None or self._router_id is None or self._latecomers is None or self._powered:
            raise LabError(
                expected="a router without power",
                seen="it has power" if self._powered else "no lab that was started",
                where=self._router,
                hint="a bug: PowerOn belongs once after start, and once after each power cut",
            )
        if not self._talk.has_channel(self._router):
            self._attach(self._router, self._router_id)
        began_ns = self._clock.now_ns()
        send_seed(self._talk, self._seeds, self._router)
        self._powered = True
        if self._is_dark:
            self._engine.start(self._router_id)
        self._is_dark = False
        self._times["power_on_s"] = (self._clock.now_ns() - began_ns) / 1e9
        self._latecomers.begin()

    def _running(self) -> list[str]:
        if self._engine is None or self._intake.offset is None or self._assembly is None:
            return []
        up = {node for node in self._assembly.nodes if self._talk.is_open(node)}
        return sorted(up - {self._router} if self._is_dark else up)

    def list_nodes(self) -> tuple[str, ...]:
        """Return the nodes that can be asked now."""
        return tuple(self._running())

    def _can_ask(self, node: str) -> bool:
        return node in self._running()

    def give_back(self, observations: Iterable[Observation]) -> None:
        """Have observations that were got too early come again, before all others."""
        self._intake.give_back(observations)

    def wait_observation(self, deadline_ns: int) -> Observation | None:
        """See ports.Lab. Raises: LabError."""
        if (returned := self._intake.take_returned()) is not None:
            return returned
        while (item := self._talk.next_item(deadline_ns)) is not None:
            if isinstance(item, EventSeen):
                if self._latecomers is not None:
                    self._latecomers.on_event(item.event)
                return self._intake.to_observation(item)
        if self._latecomers is not None:
            self._latecomers.check()
        return None

    # ------------------------------------------------------------ after the run

    def facts(self) -> Mapping[str, Any]:
        """See ports.Lab."""
        return {
            **self._facts,
            "means": list(self._intake.means),
            "lab_times_s": dict(self._times),
            **self._talk.count_trouble(),
        }

    def collect(self) -> Iterator[tuple[str, bytes]]:
        """See ports.Lab. A file that a node does not have is left out; any other trouble is noted in the node's log."""
        for fetch in self._fetches:
            content = self._talk.fetch(fetch.node, fetch.path, ANSWER_S) if self._can_ask(fetch.node) else None
            if content is not None:
                yield fetch.name, content
        for name, log in sorted(self._talk.logs.items()):
            yield f"nodes/{name}.log", log.render()

    def stop(self, keep: bool = False) -> None:
        """Remove everything of this run; with `keep`, mark the run as kept (`sweep` then leaves it) and only let go.

        Safe to call twice and after a failed start. Raises: LabError at the very end, when something is left.
        """
        if self._assembly is not None:
            self._assembly.close()
        engine, self._engine = self._engine, None
        self._powered = False
        left: tuple[str, ...] = ()
        try:
            if engine is not None and keep:
                image = next(s.image for s in self.topology.services.values())
                mark_kept(engine, self.run_id, self._run_labels, image, papers=self.write_papers, in_use=self._mark)
            elif engine is not None:
                left = remove_labelled(engine, f"{RUN_LABEL}={self.run_id}", on_ghost=self._note_ghost)
        finally:
            self._talk.close()
            if engine is not None:
                engine.close()
        if left:
            raise LabError(
                expected="everything of the run removed", seen="\n".join(left), where=f"run {self.run_id}",
                hint="once the engine is well again: branchproof sweep",
            )  # fmt: skip

    def _note_ghost(self, what: str) -> None:
        self._facts.setdefault("left_in_engine", []).append(what)

    def write_papers(self) -> bytes:
        """Return what is kept of the run for whoever takes it over: nothing, unless a lab has something to say."""
        return b"{}"
