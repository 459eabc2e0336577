"""Looks into packets that netfilter queues: names of TLS servers, answers for names, signatures. Layer: firmware.

A process of its own (main.py) gives each queued packet its verdict; what it decides is pure (machine.py and what that
stands on). The rules that queue packets, and what is done to refused ones: apply/inspection_rules.py.
"""
