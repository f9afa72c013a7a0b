"""Texts and times as scripts, options and the console write them."""
from __future__ import annotations

import re
from fractions import Fraction

from emu.card.number_words import read_time
from emu.errors import InputError

SHORT = {"r": "\r", "n": "\n", "t": "\t", "b": "\b"}
ESCAPE = re.compile(r"""\\(x[0-9A-Fa-f]{2}|[rntb\\"'])""")
QUOTED = re.compile(r'"((?:[^"\\]|\\.)*)"')


def keys(text: str) -> bytes:
    r"""Turn a text with the escapes \r \n \t \b \" \' \\ \xNN into bytes; InputError if it is not
    ASCII or holds another escape."""
    if not text.isascii() or "\\" in ESCAPE.sub("", text):
        raise InputError(f"{text!r} holds something else than ASCII and the escapes \\r \\n \\t "
                         f"\\b \\xNN; a backslash itself is \\\\.")
    return ESCAPE.sub(_meant, text).encode("latin-1")


def typed_form(octets: bytes) -> str:
    """Write bytes as `keys` reads them."""
    known = {ord(character): "\\" + letter for letter, character in SHORT.items()}
    known |= {ord("\\"): "\\\\", ord('"'): '\\"'}
    return "".join(known.get(octet) or (chr(octet) if 0x20 <= octet < 0x7F else f"\\x{octet:02x}")
                   for octet in octets)


def _meant(escape: re.Match[str]) -> str:
    """Give the character that an escape stands for."""
    word = escape[1]
    return chr(int(word[1:], 16)) if word[0] == "x" else SHORT.get(word, word)


def time_of(text: str) -> Fraction:
    """Read a time in seconds, such as "0.5 s" or "20 ms"; InputError with the mend."""
    seconds = read_time(text)
    if seconds is None:
        raise InputError(f'a time is written as "0.5 s" or "20 ms", not {text!r}.')
    return seconds
