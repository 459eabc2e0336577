"""Where the parts of the branch stand in its drawing, and what was up when. Layer: page, pure.

Columns follow the way of a packet: clients, router, carrier, internet (with management), HQ. On a narrow screen the
same columns are rows. Numbers are units of the SVG's viewBox. Not here: how it is drawn (templates/topology.html).
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from harness.reports.escape import escape
from harness.story.model import Lane, LaneName, Part, Span, Story

COLUMNS: Mapping[LaneName, int] = {"clients": 0, "device": 1, "carrier": 2, "internet": 3, "management": 3, "hq": 4}
EDGE = 12.0
MOST_LINES = 2


@dataclass(frozen=True, slots=True)
class Shape:
    """How large a node is, and how far it is from column to column, to the next node in one, and past other nodes."""

    is_tall: bool
    width: float
    narrow: float
    """Width of a node that has more than one beside it across the page."""
    height: float
    step: float
    gap: float
    bend: float
    margin: float
    """Beside the nodes, for lines that pass them."""
    letters: int
    """That go on a line of a node."""


WIDE = Shape(False, 152.0, 152.0, 60.0, 284.0, 18.0, 40.0, 40.0, 20)
TALL = Shape(True, 128.0, 84.0, 46.0, 116.0, 10.0, 24.0, 12.0, 14)
"""On a narrow screen columns are rows, and names stand for titles."""


@dataclass(frozen=True, slots=True)
class Box:
    part: Part
    state: str
    x: float
    y: float
    """Its middle."""
    width: float
    text: tuple[str, ...]
    """What is written on it, line by line."""


@dataclass(frozen=True, slots=True)
class Line:
    part: Part
    state: str
    path: str
    """SVG path data."""
    x: float
    y: float
    """Where its name stands."""
    text: str
    """Empty where there is no room for more than its state."""


@dataclass(frozen=True, slots=True)
class Drawing:
    shape: Shape
    width: float
    height: float
    boxes: tuple[Box, ...]
    lines: tuple[Line, ...]


def find_state(spans: Sequence[Span], at_s: float) -> str:
    """Return ``up``, ``down``, or ``not seen`` where no span covers the instant."""
    covering = (s.state for s in reversed(spans) if s.since_s <= at_s and (s.until_s is None or at_s < s.until_s))
    return next(covering, "not seen")


def draw(story: Story, shape: Shape) -> Drawing:
    """Lay out nodes and what joins them, as they were when the run ended."""
    columns = _list_columns(story.parts, story.lanes)
    sizes = {c: shape.narrow if len(members) > 2 else shape.width for c, members in columns.items()}
    across = {c: (sizes[c] if shape.is_tall else shape.height) + shape.gap for c in columns}
    breadth = max((across[c] * len(members) for c, members in columns.items()), default=0.0) - shape.gap
    boxes: dict[str, Box] = {}
    for column, members in columns.items():
        along = EDGE + (shape.height if shape.is_tall else shape.width) / 2 + column * shape.step
        first = shape.margin + breadth / 2 - (len(members) - 1) / 2 * across[column]
        for row, part in enumerate(members):
            side = first + row * across[column]
            x, y = (side, along) if shape.is_tall else (along, side)
            state = find_state(part.spans, story.ended_s)
            boxes[part.name] = Box(part, state, x, y, sizes[column], _write(part, shape))
    length = 2 * EDGE + (shape.height if shape.is_tall else shape.width) + max(columns, default=0) * shape.step
    width, height = (breadth + 2 * shape.margin, length) if shape.is_tall else (length, breadth + 2 * shape.margin)
    return Drawing(shape, width, height, tuple(boxes.values()), tuple(_join(story, boxes, shape)))


def _list_columns(parts: Sequence[Part], lanes: Sequence[Lane]) -> dict[int, list[Part]]:
    """Return the nodes of each column, in the story's order."""
    lane_of = {node: lane.name for lane in lanes for node in lane.nodes}
    columns: dict[int, list[Part]] = {}
    for part in parts:
        if part.kind == "node":
            columns.setdefault(COLUMNS[lane_of.get(part.name, "internet")], []).append(part)
    return columns


def _write(part: Part, shape: Shape) -> tuple[str, ...]:
    """Return a part's name in as many lines as there is room for."""
    text = escape(part.name if shape.is_tall else part.title)
    return tuple(textwrap.wrap(text, shape.letters, max_lines=1 if shape.is_tall else MOST_LINES, placeholder="…"))


def _join(story: Story, boxes: Mapping[str, Box], shape: Shape) -> Iterator[Line]:
    """Yield a line for every link and tunnel whose two ends are drawn. Lines of one pair of nodes lie side by side."""
    taken: dict[frozenset[str], int] = {}
    for part in story.parts:
        if part.kind == "node" or len(part.ends) != 2 or not all(e in boxes for e in part.ends):
            continue
        one, other = boxes[part.ends[0]], boxes[part.ends[1]]
        pair = frozenset(part.ends)
        place = taken[pair] = taken.get(pair, -1) + 1
        away = ((place + 1) // 2) * (1 if place % 2 else -1) * shape.bend
        across, along = other.y - one.y, other.x - one.x
        if shape.is_tall:
            across, along = along, across
        is_far = abs(along) > 1.5 * shape.step
        if is_far:  # past what stands between: outside, by the side that the far end is on
            away += 3.4 * shape.bend if across > 0 else -3.4 * shape.bend
        middle_x, middle_y = (one.x + other.x) / 2, (one.y + other.y) / 2
        turn_x, turn_y = (middle_x + away, middle_y) if shape.is_tall else (middle_x, middle_y + away)
        path = f"M{one.x:.0f} {one.y:.0f}Q{turn_x:.0f} {turn_y:.0f} {other.x:.0f} {other.y:.0f}"
        is_crowded = shape.narrow in (one.width, other.width) and shape.is_tall
        text = "" if is_crowded else " ".join(_write(part, shape))
        state = find_state(part.spans, story.ended_s)
        place_of_name = 0.3 if is_crowded else 0.6 if is_far else 0.5  # beside the nodes that a line passes
        x, y = (_find_on_curve(ends, place_of_name) for ends in ((one.x, turn_x, other.x), (one.y, turn_y, other.y)))
        yield Line(part, state, path, x, y, text)


def _find_on_curve(ends: tuple[float, float, float], t: float) -> float:
    """Return a coordinate of a quadratic curve (SVG 2, section 9.3.7) at `t`, from 0 to 1."""
    return (1 - t) ** 2 * ends[0] + 2 * t * (1 - t) * ends[1] + t**2 * ends[2]


@dataclass(frozen=True, slots=True)
class Stretch:
    """A span on the strip of the run: from `x`, `width` long, both of 1000."""

    x: float
    width: float
    span: Span


def lay_out_strip(spans: Sequence[Span], from_s: float, until_s: float) -> tuple[Stretch, ...]:
    """Return spans on a strip of 1000 from one instant to the other; the shortest is still seen."""
    scale = 1000 / max(until_s - from_s, 1e-9)
    found = []
    for span in spans:
        since, until = max(span.since_s, from_s), until_s if span.until_s is None else min(span.until_s, until_s)
        found.append(Stretch((since - from_s) * scale, max((until - since) * scale, 2.0), span))
    return tuple(found)
