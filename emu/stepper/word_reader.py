"""The reader a builder sits at: it takes one line of words at a time and gives text back.

It knows nothing of terminals.  A word is a function marked with `word`; what stands behind
it on the line is its own to read (emu/stepper/words.py, words_back.py, words_change.py).
"""
from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from emu.bus.state import FAR
from emu.card.number_words import read_time
from emu.errors import InputError, nearest, one_line
from emu.files.numbers import DIGITS
from emu.files.symbols import parse_number
from emu.machine.register_names import snapshot
from emu.run.player import Spot
from emu.stepper import show
from emu.stepper.cursor import Cursor
from emu.stepper.search import Access
from emu.stepper.stepper import Event, Stepper
from emu.stepper.watch import Stop

T_STATES = re.compile(r"([0-9]+) ?[tT]")
SAME = {"remove": "eject"}  # other words for a word
MOST = 1_000_000  # times that one word does something
LINES = 6  # instructions that are shown where it stops

Handler = Callable[["WordReader", str], list[str]]
WORDS: dict[str, tuple[Handler, str, str]] = {}  # word -> (what it does, how to write it, help)


def word(how: str, text: str) -> Callable[[Handler], Handler]:
    """Make a function a word: how it is written, and what it does in one line."""

    def mark(function: Handler) -> Handler:
        WORDS[how.split(" ")[0]] = (function, how, text)
        return function

    return mark


def whole_word(text: str) -> str:
    """Find the word that is meant: itself, another for it, or its only beginning; InputError."""
    if text in WORDS or text in SAME:
        return SAME.get(text, text)
    found = sorted({SAME.get(name, name) for name in (*WORDS, *SAME) if name.startswith(text)})
    if len(found) == 1:
        return found[0]
    if found:
        raise InputError(f"{text!r} may be {' or '.join(found)}; write more of it.")
    raise InputError(f"{text!r} is no word here; {nearest(text, WORDS)} See help.")


class Leave(Exception):
    """The builder wants to leave."""


class WordReader:
    """One builder's session: the stepper, what was shown last, and why it stopped last."""

    def __init__(self, stepper: Stepper) -> None:
        self.stepper = stepper
        self.cursor = Cursor(stepper)
        self.sources = stepper.book.sources
        self.shown = snapshot(stepper.m)
        self.event: Event | None = None
        self.found: Access | None = None  # what who or when found last

    def do(self, line: str) -> list[str]:
        """Take one line; give what is to be shown.  InputError: it cannot be done."""
        text = line.strip()
        if not text or text.startswith("#"):
            return []
        first, _, rest = text.partition(" ")
        return WORDS[whole_word(first)][0](self, rest.strip())

    # --- what several words share -----------------------------------------------------
    def here(self, event: Event | None = None) -> list[str]:
        """Show where the machine stands, and why."""
        self.event = event
        out = [event.words] if event is not None and event.words else []
        out.append(f"{show.time_words(self.stepper, self.stepper.t)}  "
                   f"{self.stepper.book.at(int(self.stepper.m.pc))}")
        out += show.registers(self.stepper, self.shown)
        self.shown = snapshot(self.stepper.m)
        return out + show.code(self.stepper, self.sources, int(self.stepper.m.pc), LINES)

    def spot_words(self, spot: Spot) -> str:
        """Say when and where a place of the run is, by looking at it."""
        player = self.stepper.history.bring(self.stepper.history.spare, spot)
        book = self.stepper.spare_book
        return f"{show.time_words(self.stepper, spot.t)}, {book.at(int(player.m.pc))}"

    def t_of(self, text: str) -> int | None:
        """Read a length of time in T-states; None when it is none."""
        if match := T_STATES.fullmatch(text):
            t = int(match[1]) if len(match[1]) < DIGITS else FAR
            if t >= FAR:
                raise InputError(f"{one_line(text)[:60]}: this T-state lies too far away.")
            return t
        seconds = read_time(text)
        return None if seconds is None else self.stepper.machine.at(seconds)

    def count(self, text: str, what: str, most: int = MOST) -> int:
        """Read how many times; 1 when nothing is said."""
        number = parse_number(text) if text else 1
        if not number or number > most:
            raise InputError(f"{what} takes a number from 1 to {most}, not {text!r}.")
        return number

    def address(self, text: str, what: str) -> int:
        """Read the address that a word needs."""
        if not text:
            raise InputError(f"{what} needs a place: an address, a symbol, file.s:12.")
        return self.stepper.book.address(text)

    def stop_of(self, text: str) -> Stop:
        """Find a stop by its number."""
        number = parse_number(text)
        for stop in self.stepper.stops:
            if stop.number == number:
                return stop
        known = ", ".join(str(stop.number) for stop in self.stepper.stops) or "none"
        raise InputError(f"there is no stop {text!r}; there are: {known}.")

    def change(self, kind: str, where: str, value: Any, after: int = 0) -> None:
        """Make a change; the cursor goes back to the instruction's beginning."""
        self.stepper.change(kind, where, value, after)
        self.cursor.forget()

    def channel(self, name: str) -> str:
        """Give the terminal that is meant: the first one when none is named."""
        if name:
            return self.stepper.console.find(name).name
        main = self.stepper.console.main
        if main is None:
            raise InputError("no card with a terminal is fitted, so nothing can be typed.")
        return main
