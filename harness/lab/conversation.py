"""What the harness and its nodes say to each other: all channels of a run behind one queue. Layer: lab, I/O, threads.

Laws: everything that a node says is handled in the caller's thread, in the order of its arrival; a node that fails,
ends or falls silent where it may not is a LabError with exit code and log tail. Not here: building and removing
(containers.py), one channel (channel.py).
"""

from __future__ import annotations

import base64
import itertools
import queue
from collections import deque
from collections.abc import Iterable, Mapping
from typing import Any

from tenacity import Retrying, retry_if_result, stop_after_delay, wait_fixed

from emulators.common.wire import Command, Event, render
from harness.errors import LabError
from harness.lab.channel import Channel, Ended, EventSeen, Item, NodeLog
from harness.lab.engine import Engine
from harness.lab.ports import Clock

EXIT_S = 5.0
"""From the end of a node's stream to the engine knowing its exit code."""
EXIT_POLL_S = 0.05
LOG_TAIL_LINES = 25


class Conversation:
    """The channels of one run."""

    def __init__(self, run_id: str, nodes: Iterable[str], clock: Clock) -> None:
        self.logs: dict[str, NodeLog] = {name: NodeLog(name) for name in nodes}
        self._run_id, self._clock = run_id, clock
        self._engine: Engine | None = None
        self._channels: dict[str, Channel] = {}
        self._ids: dict[str, str] = {}
        self._queue: queue.SimpleQueue[Item] = queue.SimpleQueue()
        self._held: deque[Item] = deque()
        self._numbers = itertools.count(1)

    # ------------------------------------------------------------ channels

    def attach(self, engine: Engine, node: str, container: str, *, joins: bool = False) -> None:
        """Open a node's channel. Called from several threads, each for its own node. Raises: EngineError."""
        self._engine, self._ids[node] = engine, container
        stream = engine.attach(container)
        self._channels[node] = Channel(node, stream, self._queue, self.logs[node], self._clock, joins=joins)

    def count_on(self, number: int | None) -> int:
        """Number commands from here on (None: from where they are); return the next one. Commands of an earlier
        conversation with these nodes may still be answered: numbers must not come twice."""
        if number is None:
            number = next(self._numbers)
        self._numbers = itertools.count(number)
        return number

    def detach(self, node: str) -> None:
        """Close a node's channel; its end is meant."""
        self._channels.pop(node).close()

    def close(self) -> None:
        """Close every channel; what they counted can still be read."""
        self._engine = None
        for channel in list(self._channels.values()):
            channel.close()

    def is_open(self, node: str) -> bool:
        """Say whether a node can be heard."""
        channel = self._channels.get(node)
        return channel is not None and not channel.ended

    def has_channel(self, node: str) -> bool:
        """Say whether a node was attached and not detached since."""
        return node in self._channels

    def count_trouble(self) -> dict[str, dict[str, int]]:
        """Return stray lines and lost events, node by node, where there were any."""
        channels = sorted(self._channels.items())
        return {
            "stray_lines": {name: c.stray_lines for name, c in channels if c.stray_lines},
            "lost_events": {name: c.lost_events for name, c in channels if c.lost_events},
        }

    # ------------------------------------------------------------ saying

    def send(self, node: str, line: bytes) -> None:
        """Send a line as it is (a seed); does not wait."""
        self._channels[node].send(line)

    def command(self, node: str, verb: str, args: Mapping[str, Any]) -> int:
        """Send a command; return its id. Does not wait."""
        number = next(self._numbers)
        self.send(node, render(Command(number, verb, args)))
        return number

    def ask(self, node: str, verb: str, args: Mapping[str, Any], timeout_s: float) -> tuple[Event, int]:
        """Send a command on the lab's own account; return its answer and when it was received. Raises: LabError.

        All else that comes meanwhile, also another node's end, is held for `next_item`, and judged there.
        """
        number = self.command(node, verb, args)
        deadline_ns = self._clock.now_ns() + int(timeout_s * 1e9)
        while (item := self._pull(deadline_ns)) is not None:
            if isinstance(item, EventSeen):
                is_answer = item.event.kind == "command.done" and item.event.data.get("id") == number
                if is_answer and item.node == node:
                    return item.event, item.received_ns
            self._held.append(item)
            if isinstance(item, Ended) and item.node == node:
                break
        raise self.error(node, f"an answer to the verb {verb}", f"none within {timeout_s:g} s, or it ended")

    def fetch(self, node: str, path: str, timeout_s: float) -> bytes | None:
        """Return a file of a node. None: it does not have it, or another trouble, which is noted in the node's log."""
        try:
            event, _ = self.ask(node, "fetch", {"path": path}, timeout_s)
        except LabError as error:
            self.note(node, f"fetch {path}: {error.seen.splitlines()[0]}")
            return None
        if event.data.get("ok"):
            return base64.b64decode(event.data["result"]["base64"])
        if "FileNotFoundError" not in str(event.data.get("error")):
            self.note(node, f"fetch {path}: {event.data.get('error')}")
        return None

    # ------------------------------------------------------------ hearing

    def next_item(self, deadline_ns: int) -> Item | None:
        """Return the next item; None at the deadline. Raises: LabError for a node that broke.

        An end that was meant comes through, for the caller to skip.
        """
        item = self._held.popleft() if self._held else self._pull(deadline_ns)
        if isinstance(item, Ended):
            self._check_end(item)
        elif item is not None and item.event.kind == "node.failed":
            raise self.error(item.node, "a node that works", f"node.failed: {item.event.data.get('error')}")
        elif item is not None and item.event.kind == "command.rejected":
            raise self.error(item.node, "a command it can read", str(item.event.data.get("error")))
        return item

    def wait_kind(self, kind: str, waiting: set[str], timeout_s: float) -> None:
        """Block until each of the nodes has said `kind`; nothing that is heard is lost. Raises: LabError."""
        deadline_ns = self._clock.now_ns() + int(timeout_s * 1e9)
        heard: list[Item] = []
        while waiting:
            item = self.next_item(deadline_ns)
            if item is None:
                late = ", ".join(sorted(waiting))
                raise self.error(min(waiting), kind, f"none within {timeout_s:g} s from {late}")
            if isinstance(item, EventSeen):
                heard.append(item)
                if item.event.kind == kind:
                    waiting = waiting - {item.node}
        self._held.extendleft(reversed(heard))

    def _pull(self, deadline_ns: int) -> Item | None:
        left_s = (deadline_ns - self._clock.now_ns()) / 1e9
        try:
            return self._queue.get(timeout=left_s) if left_s > 0 else self._queue.get_nowait()
        except queue.Empty:
            return None

    def _check_end(self, end: Ended) -> None:
        if self._channels.get(end.node) is not end.channel:
            return
        raise self.error(end.node, "a node that runs", f"its stream ended ({end.error or 'no more output'})")

    # ------------------------------------------------------------ trouble

    def note(self, node: str, text: str) -> None:
        """Write a line of the lab's own into a node's log."""
        self.logs[node].add(self._clock.now_ns(), f"[lab] {text}")

    def error(self, node: str, expected: str, seen: str) -> LabError:
        """Return an error about a node, with its exit code and log tail."""
        code = self._find_exit_code(node)
        state = "still running" if code is None else f"exit code {code}"
        tail = self.logs[node].tail(LOG_TAIL_LINES) or "(nothing)"
        return LabError(
            expected=expected,
            seen=f"{seen}; {state}; last log lines:\n{tail}",
            where=f"node {node} of run {self._run_id}",
            hint=f"see nodes/{node}.log in the run folder",
        )

    def _find_exit_code(self, node: str) -> int | None:
        """Return the exit code, waiting a moment for it: the stream ends before the engine has noted the exit."""
        if self._engine is None or node not in self._ids:
            return None
        asking = Retrying(
            stop=stop_after_delay(0 if self.is_open(node) else EXIT_S),
            wait=wait_fixed(EXIT_POLL_S),
            retry=retry_if_result(lambda code: code is None),
            retry_error_callback=lambda state: None,
        )
        code: int | None = asking(self._engine.find_exit_code, self._ids[node])
        return code
