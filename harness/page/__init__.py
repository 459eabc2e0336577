"""The HTML report: stories as one page that stands alone. Layer: page, pure but for its own package data.

`render` puts a page together, `words` names what is shown, `drawing` lays out the topology, `columns` packs what only
the script shows. A page asks nothing of a network, and runs no script or style but its own (Content-Security-Policy by
hash). Not here: what a run came to (story/), and where the file goes (commands/report.py).
"""
