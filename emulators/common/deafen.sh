#!/bin/sh
# Makes the engine host deaf and mute on the bridges named: no ARP answers for its own addresses, no IPv6 of its own,
# and EAPOL let through (group_fwd_mask 8, IEEE 802.1X's group address). Runs once, in the host's network namespace,
# after the networks are made; waits for nothing else.
set -eu
for bridge in "$@"; do
  ip link set dev "$bridge" arp off addrgenmode none
  ip -6 addr flush dev "$bridge" 2>/dev/null || true
  ip link set dev "$bridge" type bridge group_fwd_mask 8 mcast_snooping 0
done
