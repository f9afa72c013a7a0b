"""Errors that a builder can mend: one line, no traceback."""
from __future__ import annotations

import signal
from difflib import get_close_matches

ENDING = (signal.SIGTERM, signal.SIGHUP)  # signals that ask to end, besides Ctrl-C


class InputError(ValueError):
    """Say what is wrong with a file or an option, where, and how to mend it.

    The text is one whole sentence; the command line prints it after ``preburn: ``
    and ends with exit status 2.
    """


class Ended(KeyboardInterrupt):
    """A signal other than Ctrl-C's asked to end: SIGTERM, or SIGHUP when the terminal goes."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


def say_where(stop: KeyboardInterrupt, where: str) -> None:
    """Give an end that was asked for the words it is told by, unless it has some."""
    if not stop.args:
        stop.args = (f"stopped by {asked_by(stop)} {where}.",)


def asked_by(stop: BaseException | None) -> str:
    """Name the signal that asked to end."""
    return signal.Signals(stop.number).name if isinstance(stop, Ended) else "Ctrl-C"


LONGEST = 1000  # characters of a message that quotes what stood in a file


def printable(text: str, kept: str = "\n\t") -> str:
    """Write control characters as escapes, but those ``kept``: what stands in a file, or came over
    a machine's line, must not command the terminal that shows it."""
    if text.isprintable():
        return text
    return "".join(c if c in kept or c.isprintable() else _escape(c) for c in text)


def _escape(c: str) -> str:
    return c.encode("unicode_escape").decode("ascii")


def one_line(text: str) -> str:
    """Write a message on one line, without control characters; a very long one is cut."""
    line = printable(text.strip(), "")
    if len(line) <= LONGEST:
        return line
    half = LONGEST // 2 - 10
    return f"{line[:half]} [...] {line[-half:]}"


def nearest(name: str, known: object) -> str:
    """Give the end of a message that an unknown name deserves."""
    names = sorted(str(k) for k in known)  # type: ignore[attr-defined]
    close = get_close_matches(name, names, 1)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known are {', '.join(names)}." if names else "there is none."
