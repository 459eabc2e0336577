"""The router as a thing: what the bench can do to its hardware. Layer: hardware; the firmware knows nothing of it."""
