"""What the management server can do badly, one module a subject: see emulators.common.impair. Layer: stand-in, I/O."""
