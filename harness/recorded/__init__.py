"""Run folders that come with the package, for `branchproof show` without an argument. Data only.

    proven/    a whole proof of profiles/pier-kiosk.yaml
    failing/   the same branch with another key at its headquarters than in its profile (the fault `wrong_psk`)

Each is a run's folder as `prove` wrote it, and is read as any other: plan.json, tape.jsonl, verdict.json, at.txt,
nodes/*.log and, of the second, faults.json. Left out are the captures, for their size, and with them pcapng reports.
`python -m tests.recorded RUN NAME` makes one anew; tests/unit/test_recorded_runs.py holds them to what is said here.
"""
