"""Run folders of real drills in a small form, to try the diagnosis on without an engine: recorded.py reads them,
`python -m tests.corpus.record RUN...` adds to them."""
