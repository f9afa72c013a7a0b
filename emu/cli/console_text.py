"""What a machine's terminals show, kept short enough to be read: runs, repeats, a limit.

Text comes in pieces and is passed on as it comes; only what repeats is held back, until it
is known how often.
"""
from __future__ import annotations

from collections import deque
from collections.abc import Callable

NOISE = 8  # equal characters that are shown of noise ...
RUN = 100  # ... and of what a program may well mean, such as a rule of dashes
REPEATS = 3  # equal lines that are shown
MOST_CHARACTERS, MOST_LINES = 16_384, 200  # shown in all
LAST_LINES, LAST_CHARACTERS = 12, 2_000  # of the rest, shown at the end

Write = Callable[[str], None]


class Runs:
    """Passes text on; of a long run of one character only its start, and how long it was."""

    def __init__(self, write: Write) -> None:
        self._write = write
        self._last = ""
        self._count = 0

    def feed(self, text: str) -> None:
        """Take the next piece of text."""
        out: list[str] = []
        for c in text:
            if c != self._last:
                out.append(self._held())
                self._last, self._count = c, 0
            self._count += 1
            if self._count <= self._most():
                out.append(c)
        self._write("".join(out))

    def end(self) -> None:
        """Tell of the run that the text ends with."""
        self._write(self._held())
        self._count = 0

    def _most(self) -> int:
        return RUN if self._last.isascii() else NOISE

    def _held(self) -> str:
        if self._count <= self._most():
            return ""
        return f"{'' if self._last == chr(10) else ' '}(x {self._count}) "


class Repeats:
    """Passes text on; of a line that comes again and again only the first few, and how often."""

    def __init__(self, write: Write) -> None:
        self._write = write
        self._previous = ""
        self._line = ""  # of the line under way, all
        self._times = 0  # how often the previous line has come
        self._holding = False  # the line under way is held back

    def feed(self, text: str) -> None:
        """Take the next piece of text."""
        while text:
            line, newline, text = text.partition("\n")
            self._line += line
            if self._holding and not self._may_repeat(bool(newline)):
                self._let_go()
                self._write(self._line)
            elif not self._holding:
                self._write(line)
            if newline:
                self._ended()

    def end(self) -> None:
        """Tell of the line that the text ends with, and what is held of the next."""
        if self._holding:
            self._let_go()
            self._write(self._line)

    def _may_repeat(self, whole: bool) -> bool:
        return self._previous == self._line if whole else self._previous.startswith(self._line)

    def _let_go(self) -> None:
        self._holding = False
        if self._times > REPEATS:
            self._write(f"(that line x {self._times})\n")
        self._times = 1

    def _ended(self) -> None:
        if not self._holding:
            self._write("\n")
        self._times = self._times + 1 if self._line == self._previous else 1
        self._previous, self._line = self._line, ""
        self._holding = self._times >= REPEATS


class Limit:
    """Passes text on up to a limit; of the rest only the last lines, at the end."""

    def __init__(self, write: Write, where: str) -> None:
        self._write = write
        self._where = where  # all of it is
        self._characters = self._lines = 0
        self._left_out = 0
        self._tail: deque[str] = deque([""], LAST_LINES)

    def feed(self, text: str) -> None:
        """Take the next piece of text."""
        room = 0 if self._left_out else MOST_CHARACTERS - self._characters
        shown = "".join(_lines(text[:room])[:MOST_LINES - self._lines])
        self._characters += len(shown)
        self._lines += shown.count("\n")
        self._write(shown)
        self._keep(text[len(shown):])

    def _keep(self, text: str) -> None:
        self._left_out += len(text)
        for line in _lines(text):
            if self._tail[-1].endswith("\n"):
                self._tail.append("")
            self._tail[-1] = (self._tail[-1] + line)[-LAST_CHARACTERS:]

    def end(self) -> None:
        """Tell how much was left out, and where it is; then the last lines."""
        if not self._left_out:
            return
        tail = "".join(self._tail)[-LAST_CHARACTERS:]
        hidden = self._left_out - len(tail)
        note = f"\n({hidden} characters left out here; {self._where})\n" if hidden > 0 else ""
        self._write(note + tail)


def _lines(text: str) -> list[str]:
    """Split a text into lines with their ends; the last one may have none."""
    *whole, rest = text.split("\n")
    return [line + "\n" for line in whole] + [rest] * bool(rest)


class ConsoleText:
    """The three of them in a row; ``where`` says where the whole text is."""

    def __init__(self, write: Write, where: str) -> None:
        self._limit = Limit(write, where)
        self._runs = Runs(self._limit.feed)
        self._repeats = Repeats(self._runs.feed)

    def feed(self, text: str) -> None:
        """Take the next piece of text."""
        self._repeats.feed(text)

    def end(self) -> None:
        """Show what is held back: the run is over."""
        for stage in (self._repeats, self._runs, self._limit):
            stage.end()
