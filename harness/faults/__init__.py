"""Field faults, one file each: its cause, when it sets in, what brings it about, what a good device does."""
