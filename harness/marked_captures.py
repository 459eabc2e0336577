"""A run's captures in one pcapng file, in order of time, with a comment at each packet that something rests on.

Layer: files. Sources: pcap-savefile(5); draft-ietf-opsawg-pcapng sections 3.5 (comments) and 4.1 to 4.3 (blocks). An
interface is a capture of the run, by the name of its file; link type, capture length, stamps and their resolution are
kept as captured. All stamps are of the one clock that the stand-ins share, so they put the packets in order; nothing is
captured in the router, whose own clock is stepped. Comments are at packets that decided a stage, or that a cause of the
diagnosis rests on; a stage that was decided by no single packet is in the section's. Not here: which packet an
observation rests on (timeline/entries.py).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from pcapng import FileWriter
from pcapng.blocks import EnhancedPacket, InterfaceDescription, SectionHeader
from pcapng.structs import TYPE_BYTES, Option

from harness.errors import InputError, Problem
from harness.reports.escape import escape
from harness.story.model import Event, Story

MOST_COMMENT = 1000
"""Letters of a comment: an option's length has 16 bits, and nobody reads more in a list of packets."""
MOST_CAPTURED = 262_144
"""Octets of a packet: what libpcap takes at most (MAXIMUM_SNAPLEN). More is a broken head, and readers refuse it."""
_POINTER = re.compile(r"captures/(?P<name>[^#]+)\.pcap#(?P<number>\d+)")
_MAGICS = {0xA1B2C3D4: ("<", 6), 0xA1B23C4D: ("<", 9), 0xD4C3B2A1: (">", 6), 0x4D3CB2A1: (">", 9)}
"""Of pcap, as read little endian: byte order, and decimal digits of a second's fraction."""
_TSRESOL = 9  # draft-ietf-opsawg-pcapng section 4.2

Place = tuple[str, int]
"""A capture's name without folder and ending, and the number of a packet, from 1."""


@dataclass(frozen=True, slots=True)
class _Record:
    """A packet as it lies in its capture. `stamp`: since 1970, in the capture's own units; `length`: octets that it had
    before it was cut to the capture length."""

    interface: int
    number: int
    stamp: int
    at_ns: int
    length: int
    data: memoryview


@dataclass(frozen=True, slots=True)
class _Source:
    """A capture. `digits`: of a second's fraction."""

    name: str
    digits: int
    link_type: int
    snap_length: int
    records: tuple[_Record, ...]


def write_marked(run: Path, story: Story, target: Path) -> tuple[str, ...]:
    """Write the captures of a run's folder into one pcapng file. Returns notes on what could not be read or marked; the
    file has them, too. Raises: InputError where there is no capture."""
    notes: list[str] = []
    sources = _read_sources(run / "captures", notes)
    if not sources:
        text = "; ".join(("expected captures of packets, saw none", *notes))
        raise InputError((Problem(str(run), 0, 0, "captures", text),))
    known = {(source.name, record.number) for source in sources for record in source.records}
    comments = _comment(story, known, notes)
    with target.open("wb") as file:
        _write(file, sources, comments, (_cut(f"run {story.run}: {story.headline}"), *notes))
    return tuple(notes)


# ---------------------------------------------------------------- reading


def _read_sources(folder: Path, notes: list[str]) -> list[_Source]:
    sources: list[_Source] = []
    for path in sorted(folder.glob("*.pcap")):
        content = memoryview(path.read_bytes())
        name = escape(f"captures/{path.name}")
        magic = struct.unpack_from("<I", content)[0] if len(content) >= 24 else 0
        if magic not in _MAGICS:
            notes.append(f"{name}: left out, since it is no pcap file")
            continue
        order, digits = _MAGICS[magic]
        snap_length, link = struct.unpack_from(order + "II", content, 16)
        records = tuple(_read_records(content, order, digits, len(sources)))
        if 24 + sum(16 + len(r.data) for r in records) != len(content):
            notes.append(f"{name}: cut or broken within packet {len(records) + 1}: left out from there")
        sources.append(_Source(path.stem, digits, link & 0xFFFF, snap_length, records))
    return sources


def _read_records(content: memoryview, order: str, digits: int, interface: int) -> Iterator[_Record]:
    head, offset, number = struct.Struct(order + "IIII"), 24, 0
    while offset + head.size <= len(content):
        seconds, fraction, captured, length = head.unpack_from(content, offset)
        offset += head.size + captured
        if offset > len(content) or captured > MOST_CAPTURED:
            return
        number += 1
        stamp = seconds * 10**digits + fraction
        yield _Record(interface, number, stamp, stamp * 10 ** (9 - digits), length, content[offset - captured : offset])


# ---------------------------------------------------------------- what is said of a packet


def _comment(story: Story, known: set[Place], notes: list[str]) -> Mapping[Place, Sequence[str]]:
    """Return the comments by packet. Notes the last thing that decided a stage for which no packet is marked."""
    comments: dict[Place, list[str]] = {}
    unmarked: dict[str, str] = {}
    for event in story.events:
        place = _find_place(event, known)
        if place is not None:
            said = [text for text in (_tell_decision(event), *_tell_grounds(story, event)) if text]
            comments.setdefault(place, []).extend(said)
        if event.decides:
            unmarked[event.decides] = "" if place or unmarked.get(event.decides) == "" else _tell_decision(event)
    notes += [f"no packet is marked: {text}" for text in unmarked.values() if text]
    return comments


def _find_place(event: Event, known: set[Place]) -> Place | None:
    match = _POINTER.search(event.pointer) if event.number is not None else None
    place = (match["name"], int(match["number"])) if match else None
    return place if place in known else None


def _tell_decision(event: Event) -> str:
    if not event.decides:
        return ""
    return _cut(f"stage {event.decides} decided: {event.node} {event.text}", f" (observation {event.number})")


def _tell_grounds(story: Story, event: Event) -> Iterator[str]:
    for cause in story.causes:
        for words, numbers in cause.grounds:
            if event.number in numbers:
                yield _cut(f"cause {cause.name}: {words}", f" (observation {event.number})")


def _cut(text: str, end: str = "") -> str:
    text = escape(text)
    return (text if len(text) <= MOST_COMMENT else f"{text[:MOST_COMMENT]}...") + end


# ---------------------------------------------------------------- writing


def _write(
    file: BinaryIO, sources: Sequence[_Source], comments: Mapping[Place, Sequence[str]], said: Sequence[str]
) -> None:
    section = SectionHeader(options={"shb_userappl": "branchproof", "opt_comment": said})
    for source in sources:
        interface = section.new_member(
            InterfaceDescription,
            link_type=source.link_type,
            snaplen=source.snap_length,
            options={
                "if_name": escape(source.name),
                "if_description": escape(f"captures/{source.name}.pcap"),
                "if_tsresol": bytes([source.digits]),
            },
        )
        # the library has no type for this option, and would warn of that
        interface.options.schema[_TSRESOL] = Option(_TSRESOL, "if_tsresol", TYPE_BYTES)
    writer = FileWriter(file, section)
    for record in sorted((r for source in sources for r in source.records), key=lambda r: r.at_ns):
        texts = comments.get((sources[record.interface].name, record.number))
        packet = section.new_member(
            EnhancedPacket,
            interface_id=record.interface,
            timestamp_high=record.stamp >> 32,
            timestamp_low=record.stamp & 0xFFFFFFFF,
            packet_len=record.length,
            packet_data=bytes(record.data),
            options={"opt_comment": texts} if texts else {},
        )
        writer.write_block(packet)
