#!/bin/sh
# Run by udhcpc at each DHCP event: prints the event and its variables on udhcpc's standard output. It lies in the image,
# not in a firmware release, since it must be executable and /run is not.
printf 'event %s\n' "$1"
env
printf 'end\n'
