"""`make bench`: measures the bench itself on this machine and writes .bench/bench.json. Not collected by pytest."""
