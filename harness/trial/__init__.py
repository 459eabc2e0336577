"""Trials: a bring-up (or a branch in service) with faults put upon it, and what comes of them. Pure, above core."""
