"""image_corrupted: a byte of the file in the firmware store is another."""

from __future__ import annotations

from harness.core.faults import Parameter
from harness.faults._firmware import build_broken_image

FAULT = build_broken_image(
    name="image_corrupted",
    order=515,
    title="image corrupted",
    cause="A bad disk under the store, or a transfer that took the file for text.",
    met="rare",
    impairment="corrupt_image",
    reason="corrupted",
    parameter=Parameter("at_pct", "%", 75.0, (25.0, 99.0)),
)
