"""What happened in a run, in one list: tape, logs and captures brought into one clock. Pure."""
