"""A topology brought to life in containers: the live half of the Lab. Layer: lab, I/O, threads.

Laws: an event leaves as an Observation in the harness's clock domain; `stop` runs every step whatever one of them says.

Not here: which services, which seeds (docker_lab.py); the order of building (assembly.py); channels (conversation.py).
"""

from __future__ import annotations

import base64
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from typing import Any

from harness.core.model import Action, Observation, Plug, PowerCut, PowerOn
from harness.errors import LabError
from harness.lab.assembly import Assembly, Nodes, Standing
from harness.lab.channel import EventSeen
from harness.lab.conversation import Conversation
from harness.lab.engine import Engine, EngineFacts, ImageFacts, Resource
from harness.lab.latecomers import Latecomers
from harness.lab.offsets import Offset, Sample, combine_samples
from harness.lab.owner import KEPT_LABEL, RUN_LABEL, describe_self, make_labels
from harness.lab.ports import Clock
from harness.lab.removal import remove_labelled
from harness.lab.seeds import render_seed
from harness.lab.severing import plug_link, sever_links
from harness.lab.topology import Topology, Volume, name_kept

Seed = Mapping[str, Any]
MakeSeeds = Callable[[Topology], Mapping[str, Seed]]

READY_S = 60.0
"""From the last start to the last node.ready. 1 to 3 s here; a loaded machine gets a wide margin."""
ANSWER_S = 30.0
"""For an answer that we ask for ourselves (clock, fetch)."""
CLOCK_ROUNDS = 5
INPUTS_LABEL = "branchproof.inputs"
PAPERS = "papers.json"


@dataclass(frozen=True, slots=True)
class Fetch:
    """A file to bring home: node, path inside it, and its name in the run folder."""

    node: str
    path: str
    name: str


class SystemClock:
    """CLOCK_MONOTONIC of this machine."""

    def now_ns(self) -> int:
        return time.monotonic_ns()


class ContainerLab:
    """Implements ports.Lab over any topology whose nodes keep the bench's lines.

    PowerOn gives `router` its seed, without which its PID 1 does nothing; after a power cut it starts the container,
    too. Nodes in `late` are begun then: the router does not meet them while it boots.
    """

    def __init__(
        self,
        topology: Topology,
        make_seeds: MakeSeeds,
        run_id: str,
        *,
        router: str = "router",
        late: frozenset[str] = frozenset(),
        fetches: tuple[Fetch, ...] = (),
        clock: Clock | None = None,
    ) -> None:
        self.run_id = run_id
        self.topology = topology
        self._make_seeds, self._router, self._fetches = make_seeds, router, fetches
        self._late = late & frozenset(topology.services)
        self._is_wired = False
        self._latecomers: Latecomers | None = None
        self._clock: Clock = clock or SystemClock()
        self._engine: Engine | None = None
        self._assembly: Nodes | None = None
        self._talk = Conversation(run_id, topology.services, self._clock)
        self._router_id: str | None = None
        self._seeds: Mapping[str, Seed] = {}
        self._labels: dict[int, str] = {}
        self._run_labels: Mapping[str, str] = {}
        self._offset: Offset | None = None
        self._powered = False
        self._is_dark = False
        """Power was cut and the container with it. Before the first PowerOn it runs, and waits for its seed."""
        self._means: list[Mapping[str, Any]] = []
        self._returned: deque[Observation] = deque()
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
        with ThreadPoolExecutor(4, thread_name_prefix="facts") as pool:
            engine_facts = pool.submit(self._engine.read_facts)
            names = sorted({s.image for s in self.topology.services.values()})
            images = {name: pool.submit(self._engine.get_image, name) for name in names}
            self._keep_facts(engine_facts, images)
            self._assembly = assembly = Assembly(
                self._engine,
                self.topology,
                self.run_id,
                self._run_labels,
                late=self._late,
                on_container=self._attach,
            )
            self._latecomers = Latecomers(self._assembly, self._talk, self._clock, READY_S)
            self.topology = assembly.wait_networks()
            self._seeds = self._make_seeds(self.topology)
        self._times["networks_s"] = (self._clock.now_ns() - began_ns) / 1e9
        self._deliver_seeds(assembly)
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
        self._latecomers = Latecomers(self._assembly, self._talk, self._clock, READY_S)
        self._seeds = self._make_seeds(topology)
        self._talk.count_on(since)
        with ThreadPoolExecutor(4, thread_name_prefix="facts") as pool:
            names = sorted({s.image for s in topology.services.values()})
            images = {name: pool.submit(engine.get_image, name) for name in names}
            self._keep_facts(pool.submit(engine.read_facts), images)
            list(pool.map(lambda pair: self._talk.attach(engine, *pair, joins=True), containers.items()))
        self._router_id, self._powered = containers[self._router], True
        self._measure_offset(sorted(set(containers) - {self._router}))
        self._times["start_s"] = (self._clock.now_ns() - began_ns) / 1e9

    def _keep_facts(self, engine: Future[EngineFacts], images: Mapping[str, Future[ImageFacts]]) -> None:
        """Keep what the lab is made of; this is also where a missing image is found, before anything is made."""
        found = {name: future.result() for name, future in images.items()}
        seen = engine.result()
        self._facts["engine"] = {"version": seen.version, "api": seen.api, "system": seen.system}
        self._facts["kernel"] = seen.kernel
        self._facts["images"] = {
            name: {"id": image.image_id, "inputs": image.labels.get(INPUTS_LABEL)} for name, image in found.items()
        }

    def _attach(self, node: str, container: str) -> None:
        assert self._engine is not None
        self._talk.attach(self._engine, node, container)
        if node == self._router:
            self._router_id = container
        elif self._is_wired:
            self._send_seed(node)

    def _deliver_seeds(self, assembly: Assembly) -> None:
        """Give each node its seed when it is attached and the bridges are set: it does nothing before that."""
        for host in assembly.hosts.values():
            host.result()
        self._talk.wait_kind("node.ready", set(assembly.hosts), READY_S)
        names = {future: name for name, future in assembly.nodes.items()}
        for future in as_completed(names):
            future.result()
            if names[future] != self._router:
                self._send_seed(names[future])
        self._is_wired = True

    def _send_seed(self, node: str) -> None:
        if node not in self._seeds:
            raise LabError(
                expected=f"a seed for {node}", seen=f"seeds for {', '.join(sorted(self._seeds))}", where=node,
                hint="a bug: the topology has a node that the plan has no seed for",
            )  # fmt: skip
        self._talk.send(node, render_seed(self._seeds[node]))

    def _measure_offset(self, nodes: list[str]) -> None:
        samples = [self._sample_clock(node) for node in nodes]
        if samples:
            best = min(samples, key=lambda s: s.received_ns - s.sent_ns).node
            samples += [self._sample_clock(best) for _ in range(CLOCK_ROUNDS)]
        try:
            self._offset = combine_samples(samples)
        except ValueError as error:
            raise LabError(
                expected="one kernel's monotonic clock in all nodes", seen=str(error), where="lab",
                hint="run all containers on one engine host",
            ) from error  # fmt: skip
        self._facts["clock"] = {
            "offset_ns": self._offset.offset_ns, "bound_ns": self._offset.bound_ns, "samples": self._offset.samples,
        }  # fmt: skip

    def _sample_clock(self, node: str) -> Sample:
        sent_ns = self._clock.now_ns()
        event, received_ns = self._talk.ask(node, "clock", {}, ANSWER_S)
        if not event.data.get("ok"):
            raise self._talk.error(node, "an answer to the verb clock", str(event.data.get("error")))
        return Sample(node, sent_ns, int(event.data["result"]["monotonic_ns"]), received_ns)

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
        self._labels[self._talk.command(action.node, action.ask, action.args)] = action.label

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
        self._send_seed(self._router)
        self._powered = True
        if self._is_dark:
            self._engine.start(self._router_id)
        self._is_dark = False
        self._times["power_on_s"] = (self._clock.now_ns() - began_ns) / 1e9
        self._latecomers.begin()

    def _running(self) -> list[str]:
        if self._engine is None or self._offset is None or self._assembly is None:
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
        self._returned.extend(observations)

    def wait_observation(self, deadline_ns: int) -> Observation | None:
        """See ports.Lab. Raises: LabError."""
        if self._returned:
            return self._returned.popleft()
        while (item := self._talk.next_item(deadline_ns)) is not None:
            if isinstance(item, EventSeen):
                return self._to_observation(item)
        if self._latecomers is not None:
            self._latecomers.check()
        return None

    def _to_observation(self, item: EventSeen) -> Observation:
        event = item.event
        data = event.data
        if event.kind == "node.ready" and self._latecomers is not None:
            self._latecomers.on_ready(event.node)
        if event.kind == "command.done" and data.get("id") in self._labels:
            data = {**data, "label": self._labels.pop(data["id"])}
        elif event.kind == "means.chosen":
            self._means.append({"node": event.node, "part": event.part, **data})
        at_ns = self._offset.to_harness(event.at_ns) if self._offset else event.at_ns
        return Observation(event.node, event.part, event.kind, at_ns, item.received_ns, event.wall_ns, event.seq, data)

    # ------------------------------------------------------------ after the run

    def facts(self) -> Mapping[str, Any]:
        """See ports.Lab."""
        return {
            **self._facts,
            "means": list(self._means),
            "lab_times_s": dict(self._times),
            **self._talk.count_trouble(),
        }

    def collect(self) -> Iterator[tuple[str, bytes]]:
        """See ports.Lab. A file that a node does not have is left out; any other trouble is noted in the node's log."""
        for fetch in self._fetches:
            content = self._fetch(fetch) if self._can_ask(fetch.node) else None
            if content is not None:
                yield fetch.name, content
        for name, log in sorted(self._talk.logs.items()):
            yield f"nodes/{name}.log", log.render()

    def _fetch(self, fetch: Fetch) -> bytes | None:
        try:
            event, _ = self._talk.ask(fetch.node, "fetch", {"path": fetch.path}, ANSWER_S)
        except LabError as error:
            self._talk.note(fetch.node, f"fetch {fetch.path}: {error.seen.splitlines()[0]}")
            return None
        if event.data.get("ok"):
            return base64.b64decode(event.data["result"]["base64"])
        if "FileNotFoundError" not in str(event.data.get("error")):
            self._talk.note(fetch.node, f"fetch {fetch.path}: {event.data.get('error')}")
        return None

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
                self._mark_kept(engine)
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

    def _mark_kept(self, engine: Engine) -> None:
        """Mark the run as kept, with the papers that whoever takes it over needs: secrets are among them, so they stay
        in the engine, beside the containers that know them anyway, and go with these."""
        labels = {**self._run_labels, KEPT_LABEL: "1"}
        volume = name_kept(self.run_id)
        engine.create_volume(volume, labels)
        image = next(s.image for s in self.topology.services.values())
        engine.put_file(volume, image, PAPERS, self.write_papers(), self._run_labels)
        if self._mark is not None:
            engine.remove(self._mark)

    def write_papers(self) -> bytes:
        """Return what is kept of the run for whoever takes it over: nothing, unless a lab has something to say."""
        return b"{}"
