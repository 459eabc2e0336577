#!/bin/sh
# Keeps the engine's host out of the lab's bridges (named as arguments), in the host's network namespace:
# - deaf and mute: no ARP answers for its own addresses, no IPv6 of its own; EAPOL let through (group_fwd_mask 8,
#   IEEE 802.1X's group address);
# - blind: bridged frames pass the host's IPv4 hooks where br_netfilter is on, and there an engine translates what looks
#   like one of its own networks' addresses, or like a published port. Frames of the lab are therefore kept out of
#   connection tracking, without which nothing is translated.
# The nftables table belongs to the nft process that this script keeps (flag owner) and goes with it, however it ends.
set -eu
table=$(printf '%s' "$1" | tr -c 'a-zA-Z0-9\n' '_')
names=''
for bridge in "$@"; do
  ip link set dev "$bridge" arp off addrgenmode none
  ip -6 addr flush dev "$bridge" 2>/dev/null || true
  ip link set dev "$bridge" type bridge group_fwd_mask 8 mcast_snooping 0
  names="$names${names:+, }\"$bridge\""
done

event() { # KIND DATA: one line of emulators/common/wire.py
  at_ns=$(($(cut -d' ' -f1 /proc/uptime | tr -d .) * 10000000))
  printf '{"node":"bridges","part":"core","kind":"%s","at_ns":%s,"wall_ns":%s,"seq":%s,"data":%s}\n' \
    "$1" "$at_ns" "$(date +%s%N)" "$seq" "$2"
  seq=$((seq + 1))
}
seq=0

rules() {
  printf 'add table ip %s { flags owner; }\n' "$table"
  printf 'add chain ip %s pre { type filter hook prerouting priority raw; }\n' "$table"
  printf 'add rule ip %s pre iifname { %s } notrack\n' "$table" "$names"
  exec sleep infinity
}
rules | nft -i >&2 &
keeper=$!
tries=0
until nft list chain ip "$table" pre 2>/dev/null | grep -q notrack; do
  tries=$((tries + 1))
  [ "$tries" -lt 100 ] || break
  sleep 0.02
done
if [ "$tries" -lt 100 ]; then
  event means.chosen '{"what":"host_tracking","means":"none","reason":""}'
else
  event means.chosen '{"what":"host_tracking","means":"on","reason":"this kernel has no notrack or no owned tables"}'
fi
event node.ready '{}'
wait "$keeper"
