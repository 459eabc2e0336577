"""power_cut_in_first_boot: power goes in the first boot of the new release."""

from __future__ import annotations

from harness.faults._firmware import build_power_cut

FAULT = build_power_cut(
    name="power_cut_in_first_boot",
    order=547,
    title="power cut in first boot",
    cause="Whoever put the device up took its lights going out for a failure, and pulled the plug.",
    why="A cut costs the new release one of its two starts on trial: it starts again, and confirms itself.",
    begun=("slot.started", {"trial": True}),
    ended="slot.confirmed",
)
