r"""What a hand does to a machine, in words: at the console, and but for set and do in scripts.

    set sio.cts-a = "high"        a jumper that is live, its value as in a backplane file
    do card.eject                 an action of a card, perhaps with a text behind it
    press nmi, press reset        a button
    hold int, release int         hold /INT low, and let it go
    break 20 ms                   hold the terminal's line low for so long
    send "x" with parity error    a character with a wrong parity bit, or: with framing error

Each becomes inputs of the run (emu/run/inputs.py), so a run with them can be done again.
"""
from __future__ import annotations

import re
from typing import Any

from emu.errors import InputError
from emu.run.inputs import toml_value
from emu.run.texts import QUOTED, keys, time_of

WORDS = ("press", "hold", "release", "break")  # set and do are statements of their own
ERRORS = {"parity error": "parity-error", "framing error": "framing-error"}
Hand = tuple[str, str, Any]  # kind, where, value of an input


def read_hand(line: str, channel: str) -> Hand:
    """Read one line; ``channel`` is the one typed at.  InputError with the mend."""
    word, _, rest = line.strip().partition(" ")
    return READERS[word](rest.strip(), channel)


def _set(rest: str, _: str) -> Hand:
    name, equals, value = (part.strip() for part in rest.partition("="))
    if not equals or not re.fullmatch(r"[\w-]+\.[\w-]+", name):
        raise InputError(f'set takes a jumper and its value, such as set sio.cts-a = "high", not '
                         f"{rest!r}.")
    return "jumper", name, toml_value(name, value)


def _do(rest: str, _: str) -> Hand:
    where, _, text = rest.partition(" ")
    return "card", where, text.strip()


def _press(rest: str, _: str) -> Hand:
    if rest not in ("nmi", "reset"):
        raise InputError(f"press takes nmi or reset, not {rest!r}.")
    return "line", rest, 1


def _hold(rest: str, _: str) -> Hand:
    return _int(rest, "hold", 1)


def _release(rest: str, _: str) -> Hand:
    return _int(rest, "release", 0)


def _int(rest: str, word: str, level: int) -> Hand:
    if rest != "int":
        raise InputError(f"{word} takes int, not {rest!r}.")
    return "line", "int", level


def _break(rest: str, channel: str) -> Hand:
    return "break", channel, str(time_of(rest))


def _send(rest: str, channel: str) -> Hand:
    match = QUOTED.match(rest)
    error = rest[match.end():].strip().removeprefix("with ") if match else ""
    if match is None or error not in ERRORS:
        raise InputError('a character sent wrongly reads: send "x" with parity error, or with '
                         "framing error.")
    return ERRORS[error], channel, keys(match[1])


READERS = {"set": _set, "do": _do, "press": _press, "hold": _hold, "release": _release,
           "break": _break, "send": _send}
