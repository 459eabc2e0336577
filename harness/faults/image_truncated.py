"""image_truncated: the file in the firmware store broke off."""

from __future__ import annotations

from harness.core.faults import Parameter
from harness.faults._firmware import build_broken_image

FAULT = build_broken_image(
    name="image_truncated",
    order=510,
    title="image truncated",
    cause="The copy into the store broke off: a full disk, or a transfer that nobody looked at.",
    met="occasional",
    impairment="truncate_image",
    reason="truncated",
    parameter=Parameter("kept_pct", "%", 60.0, (5.0, 99.0)),
)
