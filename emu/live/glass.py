"""A character display's glass on the terminal's last lines, below what the machine prints."""
from __future__ import annotations

import shutil

from emu.machine.glass import framed
from emu.machine.machine import Machine

LEAST = 8  # lines that are left for the console


class Glass:
    """Keeps the bottom of a terminal for the displays (control sequences of ECMA-48)."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._shown: list[str] = []
        self._high = 0

    def lines(self) -> list[str]:
        """Give what all displays show, framed; nothing when no card has one."""
        return framed(self._machine)

    def open(self) -> bytes:
        """Reserve the lines; give what the terminal must be sent."""
        rows = self.lines()
        lines = shutil.get_terminal_size().lines
        if not rows or len(rows) + LEAST > lines:
            return b""
        self._high, self._shown = len(rows), []
        keep = lines - self._high
        # room below the cursor, the scrolling region, the cursor back inside it
        return (b"\r\n" * self._high + b"\x1b[%dA" % self._high + b"\x1b7\x1b[1;%dr" % keep
                + b"\x1b8")

    def draw(self) -> bytes:
        """Give what draws the glass anew, nothing when it has not changed."""
        if not self._high:
            return b""
        rows = self.lines()
        if rows == self._shown:
            return b""
        self._shown = rows
        top = shutil.get_terminal_size().lines - self._high + 1
        text = b"".join(b"\x1b[%d;1H\x1b[2K%s" % (top + k, row.encode("utf-8", "replace"))
                        for k, row in enumerate(rows[:self._high]))
        return b"\x1b7" + text + b"\x1b8"

    def close(self) -> bytes:
        """Give the whole terminal back."""
        if not self._high:
            return b""
        self._high = 0
        return b"\x1b7\x1b[r\x1b8\x1b[J"
