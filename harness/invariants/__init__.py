"""What must hold of a remote device after any fault, one file each: the entries are checks (harness.core.entries)."""
