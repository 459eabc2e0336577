"""power_cut_while_writing: power goes while the image is being written to its slot."""

from __future__ import annotations

from harness.faults._firmware import build_power_cut

FAULT = build_power_cut(
    name="power_cut_while_writing",
    order=545,
    title="power cut while writing",
    cause="Whoever put the device up moved its plug while it was at work.",
    why="The slot that runs is never written: the old release starts again, and fetches and writes the image anew.",
    begun=("slot.erased", {}),
    ended="slot.written",
)
