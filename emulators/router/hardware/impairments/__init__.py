"""What the router's hardware can do badly, one module a subject: see emulators.common.impair. Layer: stand-in, I/O."""
