"""The live page: a player over a run's tape, the same for a saved tape and for one that still grows. Layer: front end.

    tape.jsonl --follow--> entries --player (what is due now)--> picture (what is seen) ------+
                              +-----judged (the run machine, once)--> stages, checks ---------+--> scene --> page
                                                         conclusion (decision, causes) -------+

Pure: scene, messages, picture, judged, conclusion, player (time is an argument), reel, staging, orders. I/O: follow (a
growing file), bench (a live run in a thread), server (HTTP on loopback). `showing` and `live` put them together.

Laws: speed and pause concern the picture only, and a live bench goes on behind it; orders to the bench act on the bench
at once. Not here: how anything looks (static/).
"""
