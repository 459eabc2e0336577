"""The commands, one file each. A module holds `ORDER` (its place in the help) and `add(commands)`. Layer: front end.

Each command is a function of its arguments and a console, and returns the exit code. Only commands and cli.py print.
"""
