"""A run's captures in one pcapng file, in order of time, with a comment at each packet that something rests on.

Layer: files. Source: draft-ietf-opsawg-pcapng sections 3.5 (comments) and 4.1 to 4.3 (blocks). An
interface is a capture of the run, by the name of its file; link type, capture length, stamps and their resolution are
kept as captured. All stamps are of the one clock that the stand-ins share, so they put the packets in order; nothing is
captured in the router, whose own clock is stepped. Comments are at packets that decided a stage, or that a cause of the
diagnosis rests on; a stage that was decided by no single packet is in the section's. Not here: which packet an
observation rests on (timeline/entries.py).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import BinaryIO

from pcapng import FileWriter
from pcapng.blocks import EnhancedPacket, InterfaceDescription, SectionHeader
from pcapng.structs import TYPE_BYTES, Option

from harness.errors import InputError, Problem
from harness.reports.escape import escape
from harness.story.model import Event, Story
from harness.timeline.pcap import Capture, PcapError, read_capture

MOST_COMMENT = 1000
"""Letters of a comment: an option's length has 16 bits, and nobody reads more in a list of packets."""
_POINTER = re.compile(r"captures/(?P<name>[^#]+)\.pcap#(?P<number>\d+)")
_TSRESOL = 9  # draft-ietf-opsawg-pcapng section 4.2

Place = tuple[str, int]
"""A capture's name without folder and ending, and the number of a packet, from 1."""


def write_marked(run: Path, story: Story, target: Path) -> tuple[str, ...]:
    """Write the captures of a run's folder into one pcapng file. Returns notes on what could not be read or marked; the
    file has them, too. Raises: InputError where there is no capture."""
    notes: list[str] = []
    captures = _read_captures(run / "captures", notes)
    if not captures:
        text = "; ".join(("expected captures of packets, saw none", *notes))
        raise InputError((Problem(str(run), 0, 0, "captures", text),))
    known = {(name, record.number) for name, capture in captures.items() for record in capture.records}
    comments = _comment(story, known, notes)
    with target.open("wb") as file:
        _write(file, captures, comments, (_cut(f"run {story.run}: {story.headline}"), *notes))
    return tuple(notes)


# ---------------------------------------------------------------- reading


def _read_captures(folder: Path, notes: list[str]) -> dict[str, Capture]:
    """Return the captures by name, without folder and ending."""
    captures: dict[str, Capture] = {}
    for path in sorted(folder.glob("*.pcap")):
        name = escape(f"captures/{path.name}")
        try:
            capture = captures[path.stem] = read_capture(path.read_bytes())
        except PcapError:
            notes.append(f"{name}: left out, since it is no pcap file")
            continue
        if capture.is_cut:
            notes.append(f"{name}: cut or broken within packet {len(capture.records) + 1}: left out from there")
    return captures


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
    file: BinaryIO, captures: Mapping[str, Capture], comments: Mapping[Place, Sequence[str]], said: Sequence[str]
) -> None:
    section = SectionHeader(options={"shb_userappl": "branchproof", "opt_comment": said})
    for name, capture in captures.items():
        interface = section.new_member(
            InterfaceDescription,
            link_type=capture.link_type,
            snaplen=capture.snap_length,
            options={
                "if_name": escape(name),
                "if_description": escape(f"captures/{name}.pcap"),
                "if_tsresol": bytes([capture.digits]),
            },
        )
        # the library has no type for this option, and would warn of that
        interface.options.schema[_TSRESOL] = Option(_TSRESOL, "if_tsresol", TYPE_BYTES)
    writer = FileWriter(file, section)
    listed = ((n, name, c, r) for n, (name, c) in enumerate(captures.items()) for r in c.records)
    for number, name, _, record in sorted(listed, key=lambda one: one[2].find_ns(one[3])):
        texts = comments.get((name, record.number))
        packet = section.new_member(
            EnhancedPacket,
            interface_id=number,
            timestamp_high=record.stamp >> 32,
            timestamp_low=record.stamp & 0xFFFFFFFF,
            packet_len=record.length,
            packet_data=record.data,
            options={"opt_comment": texts} if texts else {},
        )
        writer.write_block(packet)
