"""What headquarters' endpoint can do badly, one module a subject: see emulators.common.impair. Layer: stand-in, I/O."""
