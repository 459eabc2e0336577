"""A run told: what it came to, in the shapes that every report and the live page show. Layer: story, pure.

`model` holds the shapes, `build` makes them of a replayed (or live) machine and a timeline. A report renders a story
and computes nothing of its own, so all of them say the same. Not here: how anything looks (reports/, show/).
"""
