"""Errors that a builder can mend: one line, no traceback."""
from __future__ import annotations

from difflib import get_close_matches


class InputError(ValueError):
    """Say what is wrong with a file or an option, where, and how to mend it.

    The text is one whole sentence; the command line prints it after ``preburn: ``
    and ends with exit status 2.
    """


def nearest(name: str, known: object) -> str:
    """Give the end of a message that an unknown name deserves."""
    names = sorted(str(k) for k in known)  # type: ignore[attr-defined]
    close = get_close_matches(name, names, 1)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known are {', '.join(names)}." if names else "there is none."
