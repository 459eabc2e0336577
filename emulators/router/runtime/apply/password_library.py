"""The system's libraries for passwords: crypt(3) and cracklib. Layer: router firmware, I/O (libraries, a dictionary).

Both are called by their C interface: Python's own module for crypt is on its way out, and has no yescrypt of its own.
Neither library is safe for threads, so one lock stands before both.
"""

from __future__ import annotations

import ctypes
import hmac
import threading
from functools import cache

DICTIONARY = "/var/cache/cracklib/cracklib_dict"
"""Made by update-cracklib(8) of the words in /etc/cracklib/cracklib.conf."""
METHOD = b"$y$"  # yescrypt, with the library's own cost: crypt(5)
LEAST_CORE = 6
"""Shorter, one word of eight that are made by chance is somewhere in the dictionary, backwards or with a letter turned
into a digit (tried with 300 of six letters)."""
TAKEN = ("dictionary word", "DIFFERENT characters")
_LOCK = threading.Lock()


class LibraryError(RuntimeError):
    """A library refused to work."""


def make_hash(password: str) -> str:
    """Return a new hash of a password, with a salt of its own."""
    with _LOCK:
        setting = _crypt().crypt_gensalt(METHOD, 0, None, 0)
        made = _crypt().crypt(password.encode(), setting) if setting else None
    if made is None or made.startswith(b"*"):
        raise LibraryError("crypt(3) made no hash")
    return str(made.decode("ascii"))


def matches(password: str, hashed: str) -> bool:
    """Say whether a hash is this password's. False for what is no hash at all."""
    if "\0" in password:  # the library would take what is before it for the whole
        return False
    with _LOCK:
        made = _crypt().crypt(password.encode(), hashed.encode("ascii"))
    return made is not None and not made.startswith(b"*") and hmac.compare_digest(made, hashed.encode("ascii"))


def find_common(password: str) -> str | None:
    """Return why a word is common, None where it is not: it stands in cracklib's dictionary, or is made of one.

    So does what is left of it without all before its first and after its last letter: cracklib looks no further than
    a few digits. Of cracklib's other reasons only that of too few different characters is taken: it calls every tenth
    long word "too simplistic" that a generator made, and how long a word must be is the rules' business.
    """
    core = _find_core(password)
    words = [password] if core == password or len(core) < LEAST_CORE else [password, core]
    with _LOCK:
        reasons = [_crack().FascistCheck(word.encode(), DICTIONARY.encode()) for word in words]
    texts = [reason.decode("utf-8", "replace") for reason in reasons if reason is not None]
    return next((text for text in texts if any(kind in text for kind in TAKEN)), None)


def _find_core(password: str) -> str:
    letters = [place for place, character in enumerate(password) if character.isalpha()]
    return password[letters[0] : letters[-1] + 1] if letters else ""


@cache
def _crypt() -> ctypes.CDLL:
    library = ctypes.CDLL("libcrypt.so.1")
    library.crypt_gensalt.restype = library.crypt.restype = ctypes.c_char_p
    library.crypt_gensalt.argtypes = [ctypes.c_char_p, ctypes.c_ulong, ctypes.c_char_p, ctypes.c_int]
    library.crypt.argtypes = [ctypes.c_char_p, ctypes.c_char_p]
    return library


@cache
def _crack() -> ctypes.CDLL:
    library = ctypes.CDLL("libcrack.so.2")
    library.FascistCheck.restype = ctypes.c_char_p
    library.FascistCheck.argtypes = [ctypes.c_char_p, ctypes.c_char_p]
    return library
