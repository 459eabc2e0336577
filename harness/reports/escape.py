"""Text of unknown origin made safe to show: nothing in it may act on a terminal or hide itself. Layer: reports, pure.

Shown as ``\\x1b`` or ``\\u202e``: C0 and C1 controls (ECMA-48), so no escape sequence works; the bidirectional controls
of Unicode Annex 9 (table 1) and other invisible format characters (category Cf); lone surrogates and private use.
"""

from __future__ import annotations

import unicodedata

_HIDDEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def escape(text: str) -> str:
    """Return the text with everything that would not be seen written out."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(_spell(letter) if unicodedata.category(letter) in _HIDDEN else letter for letter in text)


def escape_lines(text: str) -> str:
    """Return the same of each of its lines: line feeds stay."""
    return "\n".join(map(escape, text.split("\n")))


def _spell(letter: str) -> str:
    code = ord(letter)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
