"""Tell, once a place, that a card's own file starts processes.

A run is done again many times by an explanation, and whatever a card starts is started again.
"""
from __future__ import annotations

import sys
from typing import Any

from emu.errors import one_line

EVENTS = {"os.fork", "os.forkpty", "os.posix_spawn", "os.exec", "os.system", "subprocess.Popen"}
_files: set[str] = set()
_told: set[tuple[str, int]] = set()


def watch(file: str) -> None:
    """Look, from now on, what code of a file starts; ``file`` is the name it is compiled under."""
    if not _files:
        sys.addaudithook(_look)
    _files.add(file)


def _look(event: str, _: tuple[Any, ...]) -> None:
    if event not in EVENTS:
        return
    frame = sys._getframe(1)
    while frame is not None and frame.f_code.co_filename not in _files:
        frame = frame.f_back  # type: ignore[assignment]
    if frame is None:
        return
    place = frame.f_code.co_filename, frame.f_lineno
    if place not in _told:
        _told.add(place)
        sys.stderr.write(one_line(
            f"preburn: {place[0]}:{place[1]}: this card starts a process ({event}); it starts "
            f"another whenever its run is done again, as an explanation does.") + "\n")
