"""Boot again whenever a file of the machine changes, and say how the verdict differs."""
from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from emu.backplane.named_files import named_files
from emu.card.number_words import counted
from emu.cli.say import complain, say
from emu.cli.wrapping import show
from emu.errors import InputError
from emu.files.inputfile import read_limited

if TYPE_CHECKING:
    from emu.diagnosis.verdict import Verdict

PERIOD = 0.2  # seconds between looks
PATIENCE = 25  # looks that a file which was there may be away while it is built anew
Mark = tuple[int, int, int] | None


def _marks(files: Iterable[Path]) -> dict[Path, Mark]:
    """Note of each file when it was changed, its length and its inode; None: it is not there."""
    out: dict[Path, Mark] = {}
    for path in files:
        try:
            state = path.stat()
            out[path] = state.st_mtime_ns, state.st_size, state.st_ino
        except (OSError, ValueError):
            out[path] = None
    return out


def await_change(before: dict[Path, Mark]) -> list[Path]:
    """Wait until files have changed and stand still; give them.

    A file that a linker has taken away is waited for a while.
    """
    last, away = before, 0
    while True:
        time.sleep(PERIOD)
        now = _marks(before)
        gone = any(now[path] is None and before[path] is not None for path in before)
        away = away + 1 if gone else 0
        if now != before and now == last and (not gone or away > PATIENCE):
            return [path for path in before if now[path] != before[path]]
        last = now


def difference(before: Verdict | None, now: Verdict) -> list[str]:
    """Say how a verdict differs from the one before; None: there was none."""
    if before is None:
        return []
    was, is_now = before.lines()[0], now.lines()[0]
    if was == is_now:
        return ["The verdict is the same as before."]
    return ["The verdict has changed:", f"  before: {was.removeprefix('verdict: ')}",
            f"  now:    {is_now.removeprefix('verdict: ')}"]


def watched(boot: Callable[[], tuple[Verdict, int]], file: Path, script: Path | None) -> int:
    """Boot at every change until Ctrl-C; give the exit status of the last boot.

    InputError when there is no file to begin with.
    """
    for path in [file, *([script] if script else [])]:
        read_limited(path, "backplane file" if path == file else "script", empty=True)
    before, status = None, 2
    while True:
        marks = _marks([*named_files(file), *([script] if script else [])])
        try:
            verdict, status = boot()
        except InputError as error:
            complain(str(error))
            status = 2
        else:
            show(difference(before, verdict))
            before = verdict
        try:
            say(f"watching {counted(len(marks), 'file')}; Ctrl-C ends it.", err=True)
            changed = await_change(marks)
        except KeyboardInterrupt:
            say(err=True)
            return status
        say(f"\nchanged: {', '.join(str(path) for path in changed)}")
