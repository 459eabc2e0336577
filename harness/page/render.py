"""Stories to one HTML page that stands alone. Layer: page; reads its own package data, and nothing else.

Laws: every expression of a template passes `words.show_text` (what is hidden is written out) and Jinja's escaping; what
is marked safe is our own script, style and symbols. The policy in the page's head allows these by hash, and no network.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from harness.page import words
from harness.page.columns import list_columns, list_observations, pack
from harness.page.drawing import TALL, WIDE, draw, lay_out_strip
from harness.reports.clauses import CAUTION
from harness.story.model import Story

STYLES = ("tokens.css", "report.css", "parts.css", "print.css", "uplot.min.css")
SCRIPTS = (
    "uplot.min.js", "data.js", "panel.js", "scale.js", "hands.js", "waterfall.js", "events.js", "moment.js", "plots.js",
    "page.js",
)  # fmt: skip
ROWS_OF_SERIES = 500
"""Longest table beside a plot; more points are in the JSON report, and the table says so."""


def render_page(stories: Sequence[Story]) -> str:
    """Return the page: one run, or several side by side. Raises: ValueError where there is none."""
    if not stories:
        raise ValueError("a page is of one run at least, saw none")
    style = "\n".join(_read(name) for name in STYLES)
    script = _wrap("\n".join(_read(name) for name in SCRIPTS))
    template = _build_environment().get_template("page.html")
    return template.render(
        stories=stories,
        style=Markup(style),
        script=Markup(script),
        policy=_write_policy(style, script),
        licence=_read("uplot.LICENSE"),
        columns=[pack(list_columns(story)) for story in stories],
        observations=[pack(list_observations(story)) for story in stories],
    )


def _build_environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("harness.page"),
        autoescape=True,
        finalize=words.show_text,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {
        "words": words,
        "draw": draw,
        "WIDE": WIDE,
        "TALL": TALL,
        "lay_out_strip": lay_out_strip,
        "caution": CAUTION,
        "rows_of_series": ROWS_OF_SERIES,
    }
    environment.filters |= {"seconds": words.tell_seconds, "number": words.tell_number}
    return environment


def _write_policy(style: str, script: str) -> str:
    """Return the Content-Security-Policy: this style and this script, and nothing from anywhere."""
    own = f"style-src '{_hash(style)}'; script-src '{_hash(script)}'"
    return f"default-src 'none'; {own}; base-uri 'none'; form-action 'none'"


def _hash(text: str) -> str:
    """Return a source expression for an inline element's text (CSP level 3, section 2.3.1)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _wrap(script: str) -> str:
    """Give our files one scope of their own; none of them may end the script element."""
    text = f'(() => {{\n"use strict";\n{script}\n}})();'
    if "</script" in text.lower() or "<!--" in text:
        raise ValueError("a script of the page would end its own element")
    return text


def _read(name: str) -> str:
    return resources.files("harness.page").joinpath("static", name).read_text("utf-8")
