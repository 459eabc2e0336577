"""What becomes of each queued packet. Layer: router firmware, pure; time is an argument.

Names (ASK_NAME): the packets of a connection are held, from the first that carries something, until the whole
ClientHello is there; then all go on, or none. Of one cut into more than MOST_HELD packets the first go on earlier, as
the sender would wait for them to be acknowledged; its end never does. So no server whose name is not allowed gets a
whole ClientHello, nor says anything, however it was cut. Signatures (ASK_THREAT): each direction of a connection is put
together and looked through, as far as DEPTH_BYTES; where a signature ends, the packet that ends it is stopped, and the
connection with it, if the action says so. A scan is told and never dropped: what is shut, the packet filter shuts, and
one that looks for what is open must find it. Answers (ASK_ANSWER): addresses that an allowed name leads to are told
before the answer goes out.

Limits that are meant: what TLS carries cannot be seen; a name is what the client says (RFC 6066), not who answers;
signatures cut over several UDP datagrams, or behind DEPTH_BYTES, are not found.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from .client_hello import MOST_BYTES, NotTlsError, is_allowed, read_server_name
from .marks import ASK_ANSWER, ASK_NAME, ASK_THREAT, DONE, NAMED, PASSED, REFUSE
from .nfqueue import Queued
from .packet import TCP, Packet, parse_packet
from .signatures import PORT_SCAN, Patterns, Scans
from .stream import Stream

DEPTH_BYTES = 128 * 1024
DATAGRAMS = 16
MOST_CONNECTIONS = 512
HOLD_S, MOST_HELD = 5.0, 4
"""How long, and how many packets of a connection, wait for the rest of a ClientHello: fewer than a sender's first
window of ten segments (RFC 6928 section 2). All others are our choice."""

Ends = tuple[str, int, str, int]
ReadAnswer = Callable[[bytes], tuple[str, tuple[str, ...]]]


@dataclass(frozen=True, slots=True)
class Settings:
    """`names`: TCP port to allowed server names. `answers`: set of the filter to the names whose addresses fill it."""

    names: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    answers: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    signatures: tuple[str, ...] = ()
    action: Literal["alert", "drop"] = "alert"


@dataclass(frozen=True, slots=True)
class Verdict:
    number: int
    accept: bool
    mark: int


@dataclass(frozen=True, slots=True)
class Threat:
    """A signature was seen: who sent it to whom."""

    signature: str
    source: str
    destination: str
    action: str


@dataclass(frozen=True, slots=True)
class Address:
    """An allowed name leads here; must be in force before the verdicts behind it are given."""

    target: str
    address: str


Effect = Verdict | Threat | Address


@dataclass(slots=True)
class _Naming:
    """One connection whose server's name is not known yet, or is."""

    stream: Stream = field(default_factory=Stream)
    held: list[tuple[int, int]] = field(default_factory=list)
    since_s: float = 0.0
    allowed: bool | None = None


@dataclass(slots=True)
class _Watched:
    """One direction of a connection that is looked through."""

    stream: Stream = field(default_factory=Stream)
    datagrams: int = 0


class Inspector:
    """Gives verdicts. A packet may get its verdict later than it came; `on_time` says when none was reached."""

    def __init__(self, settings: Settings, read_answer: ReadAnswer) -> None:
        self._settings, self._read_answer = settings, read_answer
        self._patterns, self._scans = Patterns(settings.signatures), Scans()
        self._scanning = PORT_SCAN in settings.signatures
        self._naming: OrderedDict[Ends, _Naming] = OrderedDict()
        self._watched: OrderedDict[Ends, _Watched] = OrderedDict()
        self._stopped: OrderedDict[frozenset[tuple[str, int]], None] = OrderedDict()

    def on_packet(self, queued: Queued, now_s: float) -> list[Effect]:
        """Take a packet and return what follows, in order."""
        packet = parse_packet(queued.data)
        mark = queued.mark | PASSED
        if packet is None:  # what cannot be read cannot be let through
            return [Verdict(queued.number, False, mark)]
        if mark & ASK_ANSWER:
            return [*self._list_addresses(packet), Verdict(queued.number, True, queued.mark)]
        effects: list[Effect] = []
        if mark & ASK_THREAT:
            passes, mark, effects = self._watch(packet, mark, now_s)
            if not passes:
                return [*effects, self._stop(queued.number, packet, mark)]
        if mark & ASK_NAME and packet.protocol == TCP:
            return [*effects, *self._name(queued.number, packet, mark, now_s)]
        return [*effects, Verdict(queued.number, True, mark)]

    def on_time(self, now_s: float) -> list[Effect]:
        """Refuse what was held too long."""
        effects: list[Effect] = []
        for naming in self._naming.values():
            if naming.held and now_s - naming.since_s >= HOLD_S:
                naming.allowed = False
                effects += self._release(naming)
        return effects

    def _stop(self, number: int, packet: Packet, mark: int) -> Verdict:
        """A connection that was stopped is refused, so that its sender gives up; any other packet is just dropped (a
        segment that the stream did not take may come again, and then be taken)."""
        if packet.protocol == TCP and self._pair(packet) in self._stopped:
            return Verdict(number, True, mark | REFUSE)
        return Verdict(number, False, mark)

    # ------------------------------------------------------------ names of servers

    def _name(self, number: int, packet: Packet, mark: int, now_s: float) -> list[Effect]:
        if (answering := self._naming.get(packet.answered_ends)) is not None and packet.ends not in self._naming:
            speaks = packet.payload and not answering.allowed
            return [Verdict(number, True, mark | REFUSE if speaks else mark)]
        naming, effects = self._naming.get(packet.ends), list[Effect]()
        if naming is not None and packet.opens:  # another connection from the same port
            naming.allowed = False
            effects = self._release(naming)
        if naming is None or packet.opens:
            naming = self._remember(packet.ends)
        if packet.opens:
            naming.stream.begin(packet.sequence)
        if naming.allowed is None and not packet.payload:
            return [*effects, Verdict(number, True, mark)]
        if not naming.held:
            naming.since_s = now_s
        naming.held.append((number, mark))
        if naming.allowed is None:
            naming.allowed = self._judge_name(naming, packet)
        if naming.allowed is not None:
            return [*effects, *self._release(naming)]
        early = len(naming.held) - MOST_HELD
        effects += [Verdict(number, True, mark) for number, mark in naming.held[: max(0, early)]]
        del naming.held[: max(0, early)]
        return effects

    def _judge_name(self, naming: _Naming, packet: Packet) -> bool | None:
        stream = naming.stream
        if not stream.add(packet.sequence, packet.payload):
            return False
        try:
            whole, name = read_server_name(bytes(stream.data))
        except NotTlsError:
            return False
        if not whole:
            return False if len(stream.data) > MOST_BYTES else None
        return is_allowed(name, self._settings.names.get(packet.port, ()))

    @staticmethod
    def _release(naming: _Naming) -> list[Effect]:
        held, naming.held = naming.held, []
        naming.stream.begin(0)
        more = NAMED if naming.allowed else REFUSE
        return [Verdict(number, True, mark | more) for number, mark in held]

    def _remember(self, ends: Ends) -> _Naming:
        naming = self._naming[ends] = _Naming()
        self._naming.move_to_end(ends)
        while len(self._naming) > MOST_CONNECTIONS:
            oldest = next((e for e, one in self._naming.items() if not one.held and e != ends), None)
            if oldest is None:
                break
            del self._naming[oldest]
        return naming

    # ------------------------------------------------------------ signatures

    def _watch(self, packet: Packet, mark: int, now_s: float) -> tuple[bool, int, list[Effect]]:
        effects: list[Effect] = []
        if packet.opens:
            self._begin(packet)
            if self._scanning and self._scans.ask(packet.source, packet.destination, packet.port, now_s):
                effects.append(Threat(PORT_SCAN, packet.source, packet.destination, "alert"))
        if self._pair(packet) in self._stopped:
            return False, mark, effects
        if mark & REFUSE or not packet.payload or not self._patterns.on:
            return True, mark, effects
        watched = self._find_watched(packet.ends)
        if packet.protocol == TCP:
            found, passes, done = self._look_into_stream(watched, packet)
        else:
            watched.datagrams += 1
            found, passes, done = self._patterns.find(packet.payload), True, watched.datagrams >= DATAGRAMS
        if done:
            del self._watched[packet.ends]
            mark |= DONE
        if found is not None:
            effects.append(self._tell(found, packet))
            passes = passes and not self._drops
        if found is not None and self._drops:
            mark &= ~DONE  # what follows must come here, to be stopped too
            self._stopped[self._pair(packet)] = None
            while len(self._stopped) > MOST_CONNECTIONS:
                self._stopped.popitem(last=False)
        return passes, mark, effects

    @property
    def _drops(self) -> bool:
        return self._settings.action == "drop"

    def _begin(self, packet: Packet) -> None:
        there = (packet.destination, packet.port, packet.source, packet.source_port)
        self._watched.pop(there, None)
        self._stopped.pop(self._pair(packet), None)
        self._find_watched(packet.ends).stream.begin(packet.sequence)

    def _find_watched(self, ends: Ends) -> _Watched:
        watched = self._watched.setdefault(ends, _Watched())
        self._watched.move_to_end(ends)
        while len(self._watched) > 2 * MOST_CONNECTIONS:
            self._watched.popitem(last=False)
        return watched

    def _look_into_stream(self, watched: _Watched, packet: Packet) -> tuple[str | None, bool, bool]:
        """Return the signature that this packet completes, whether it may pass else, and whether enough was seen."""
        before = len(watched.stream.data)
        if not watched.stream.add(packet.sequence, packet.payload):
            return None, False, False
        grown = len(watched.stream.data) > before
        found = self._patterns.find(watched.stream.data, before) if grown else None
        return found, True, len(watched.stream.data) >= DEPTH_BYTES

    def _tell(self, signature: str, packet: Packet) -> Threat:
        return Threat(signature, packet.source, packet.destination, self._settings.action)

    @staticmethod
    def _pair(packet: Packet) -> frozenset[tuple[str, int]]:
        return frozenset({(packet.source, packet.source_port), (packet.destination, packet.port)})

    # ------------------------------------------------------------ answers for names

    def _list_addresses(self, packet: Packet) -> list[Effect]:
        try:
            name, addresses = self._read_answer(packet.payload)
        except ValueError:
            return []
        targets = [target for target, names in self._settings.answers.items() if is_allowed(name, names)]
        return [Address(target, address) for target in targets for address in addresses]
