#!/bin/sh
# Run by udhcpc at each DHCP event: prints the event and its variables on udhcpc's standard output, for lease.py to read.
# A block begins with "event NAME" and ends with "end"; between them stands one NAME=VALUE a line.
printf 'event %s\n' "$1"
env
printf 'end\n'
