"""A terminal program's log of the real board beside the simulated console."""
from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from emu.errors import InputError
from emu.files.inputfile import read_limited
from emu.run.console import Channel
from emu.run.session import Session

SIZE_LIMIT = 64 << 20
ENOUGH = 6  # characters of a line that may stand for the place where a log begins
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b[()][A-Za-z0-9]|\x1b[=>78]")


@dataclass(frozen=True)
class Line:
    """One line of a text, without what a terminal does not print, and where it begins."""

    text: str
    start: int  # place of its first character in the whole text


def lines_of(text: str) -> list[Line]:
    """Take a text apart, as a terminal shows it: CR, LF or both end a line; NULs, escape
    sequences and blanks at its end do not count, and a backspace takes a character back."""
    out = []
    for match in re.finditer(r"[^\r\n]+", text):
        shown: list[str] = []
        for c in ESCAPES.sub("", match[0]):
            if c in "\b\x7f":
                del shown[-1:]
            elif c >= " " or c == "\t":
                shown.append(c)
        line = "".join(shown).rstrip()
        if line:
            out.append(Line(line, match.start()))
    return out


@dataclass(frozen=True)
class SerialReport:
    """Where the texts of board and simulation part."""

    path: Path
    channel: str
    agree: int  # lines
    begins: tuple[int, int] | None  # first line that agrees: of the simulation, of the log
    ours: str | None  # the lines that differ; None: that side has ended
    theirs: str | None
    seconds: float  # emulated, when the simulation began that line
    number: int  # of that line in the log

    @property
    def same(self) -> bool:
        """Whether the board's text is the simulation's, as far as both go."""
        return self.begins is not None and None in (self.ours, self.theirs)

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        return {"same": self.same, "log": str(self.path), "channel": self.channel,
                "lines_agree": self.agree, "begins": self.begins, "simulated": self.ours,
                "board": self.theirs, "seconds": self.seconds, "line": self.number}

    def lines(self) -> list[str]:
        """Give it as text; the first line is the answer."""
        if self.begins is None:
            return [f"not aligned: no line of {self.path} is shown on {self.channel}: another "
                    f"image or channel, another rate, or too short a --limit."]
        where = f"{self.agree} lines agree, from line {self.begins[1]} of the log on"
        if self.theirs is None:
            end = "" if self.ours is None else (
                f"  The log ends there; the simulation goes on with {self.ours!r} at "
                f"{self.seconds:.6f} s.")
            return [f"same: {self.path} shows what {self.channel} shows; {where}.", *filter(
                None, [end])]
        if self.ours is None:
            return [f"same so far: {where}; then the simulation has ended (--limit), and the log "
                    f"goes on with {self.theirs!r}."]
        column = next((k for k, (a, b) in enumerate(zip(self.ours, self.theirs, strict=False))
                       if a != b), min(len(self.ours), len(self.theirs)))
        return [f"differs: the texts part in line {self.number} of {self.path}, column "
                f"{column + 1}; {where}.",
                f"  simulated at {self.seconds:.6f} s: {self.ours}",
                f"  board:                 {self.theirs}"]


def read(path: Path) -> list[Line]:
    """Read a log; InputError when it holds no text."""
    lines = lines_of(read_limited(path, "terminal log", SIZE_LIMIT).decode("latin-1"))
    if not lines:
        raise InputError(f"{path}: holds no line of text; log the terminal again.")
    return lines


def beside(session: Session, path: Path, name: str | None = None) -> SerialReport:
    """Lay a log beside what a session's terminal has shown.

    Either may begin earlier: the lines before the first that both show do not count.
    """
    name = name or session.console.main
    if name is None:
        raise InputError(f"{session.machine.description.path}: no card with a terminal is fitted, "
                         f"so there is nothing to hold {path} against.")
    channel = session.console.find(name, "--channel")
    theirs, ours = read(path), lines_of(bytes(channel.text).decode("latin-1"))
    begin = _begin(ours, theirs)
    if begin is None:
        return SerialReport(path, name, 0, None, None, None, 0.0, 0)
    i, j = begin
    while i < len(ours) and j < len(theirs) and ours[i].text == theirs[j].text:
        i, j = i + 1, j + 1
    left, right = (side[k] if k < len(side) else None for side, k in ((ours, i), (theirs, j)))
    if right is not None and left is not None and j == len(theirs) - 1 \
            and left.text.startswith(right.text):
        right = None  # the log was cut in the middle of a line
    return SerialReport(path, name, i - begin[0], (begin[0] + 1, begin[1] + 1),
                        left.text if left else None, right.text if right else None,
                        _seconds(session, channel, left), j + 1)


def _begin(ours: list[Line], theirs: list[Line]) -> tuple[int, int] | None:
    """Find the first line of one side that the other shows too: the pair with the fewest
    lines before it."""
    first: dict[str, int] = {}
    for k, line in enumerate(ours):
        first.setdefault(line.text, k)
    pairs = [(first[line.text], k) for k, line in enumerate(theirs)
             if line.text in first and len(line.text) >= ENOUGH]
    return min(pairs, key=sum, default=None)


def _seconds(session: Session, channel: Channel, line: Line | None) -> float:
    if line is None:
        return 0.0
    return float(session.machine.seconds(list(channel.times)[line.start]))
