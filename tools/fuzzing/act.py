"""Do one case in this process, in a folder of its own, and look at what came of it."""

from __future__ import annotations

import contextlib
import io
import os
import re
import resource
import shutil
import signal
import stat
import sys
import time
import traceback
from pathlib import Path

from fuzzing.case import FOLDER, PIPE, Case, Content, Family, Link, Result, Told

LONGEST = 1000  # characters of a refusal
CANARY = b"a file beside the folder, which nothing may touch\n"
FRAME = re.compile(r'File ".*?/((?:emu|peripherals)/[^"]+)", line \d+, in (\S+)')


def lay(folder: Path, files: dict[str, Content]) -> None:
    """Put a case's files into an empty folder."""
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(content, Link):
            path.symlink_to(content.to)
        elif isinstance(content, bytes):
            path.write_bytes(content)
        elif content == FOLDER:
            path.mkdir(exist_ok=True)
        elif content == PIPE:
            os.mkfifo(path)


def photograph(top: Path) -> dict[str, tuple[str, bytes]]:
    """Take down all that stands below a folder: kind, and bytes or a link's end."""
    out: dict[str, tuple[str, bytes]] = {}
    for here, folders, names in os.walk(top):
        for name in [*folders, *names]:
            path = Path(here) / name
            mode = path.lstat().st_mode
            key = str(path.relative_to(top))
            if stat.S_ISLNK(mode):
                out[key] = ("link", os.fsencode(os.readlink(path)))
            elif stat.S_ISREG(mode):
                out[key] = ("file", path.read_bytes())
            else:
                out[key] = (str(stat.S_IFMT(mode)), b"")
    return out


def changed(
    before: dict[str, tuple[str, bytes]],
    after: dict[str, tuple[str, bytes]],
    case: Case,
) -> list[str]:
    """Name what was changed, made or removed and should not have been."""

    def may(key: str) -> bool:
        inner = key.removeprefix("here/")
        if not key.startswith("here/") or inner in case.keeps:
            return False
        inside = (w for w in case.writes if w.endswith("/"))
        return inner in case.writes or any(inner.startswith(w) for w in inside)

    return [
        key
        for key in sorted({*before, *after})
        if before.get(key) != after.get(key) and not may(key)
    ]


def command_line(case: Case) -> Told:
    """Run preburn with a case's words, in this process, as its own would."""
    from emu.cli import main
    from emu.errors import ENDING

    out, err = io.BytesIO(), io.BytesIO()
    before = sys.stdin, sys.stdout, sys.stderr, sys.argv
    shown = [io.TextIOWrapper(end, "utf-8", "backslashreplace", newline="") for end in (out, err)]
    sys.stdin = io.TextIOWrapper(io.BytesIO(case.stream), "utf-8", "replace")
    sys.stdout, sys.stderr = shown
    sys.argv = ["preburn", *case.words]
    handlers = {number: signal.getsignal(number) for number in (*ENDING, signal.SIGINT)}
    status = 0
    try:
        main()
    except SystemExit as left:
        status = left.code if isinstance(left.code, int) else int(left.code is not None)
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
        for stream in shown:
            with contextlib.suppress(ValueError):  # closed
                stream.flush()
        sys.stdin, sys.stdout, sys.stderr, sys.argv = before
    return Told(
        status,
        *(
            end.getvalue().decode("utf-8", "replace") if not end.closed else ""
            for end in (out, err)
        ),
    )


def mark_of(trace: str) -> str:
    """Tell one traceback from another: the exception, and where in our code it was raised."""
    frames = FRAME.findall(trace)
    lines = [line for line in trace.splitlines() if re.match(r"[A-Za-z_.]+(:|$)", line)]
    error = next(
        (
            line.partition(":")[0]
            for line in reversed(lines)
            if not line.startswith(("preburn", "Traceback"))
        ),
        "?",
    )
    return f"{error} in {frames[-1][0]}:{frames[-1][1]}" if frames else f"{error} outside"


def unfit(text: str) -> str:
    """Give the first character that may not come to a terminal, or nothing."""
    return next((repr(c) for c in text if not c.isprintable() and c not in "\n\t\b"), "")


def look(family: Family, told: Told) -> tuple[str, str, str]:
    """Judge what a case said: kind and mark of what is wrong with it, and its words."""
    if "Traceback (most recent call last)" in told.err:
        return "traceback", mark_of(told.err), told.err[-3000:]
    if told.status not in (0, 1, 2):
        return "status", f"exit status {told.status}", told.err[-500:]
    if told.status == 2:
        lines = told.err.splitlines()
        if len(lines) != 1 or not lines[0].startswith("preburn: "):
            return "message", f"{len(lines)} lines of refusal", told.err[-1000:]
        if len(lines[0]) > LONGEST:
            return "message", f"a long refusal: {words_of(lines[0])}", lines[0][:3000]
    if bad := unfit(told.err):
        return "escape", f"standard error holds {bad}: {words_of(told.err)}", told.err[:2000]
    if family.plain_output and (bad := unfit(told.out)):
        at = next(k for k, c in enumerate(told.out) if not c.isprintable() and c not in "\n\t\b")
        return "escape", f"standard output holds {bad}", told.out[max(at - 300, 0) : at + 300]
    return "", "", ""


def words_of(text: str) -> str:
    """Give the words of a message without what differs from case to case."""
    plain = re.sub(r"'[^']*'|\"[^\"]*\"|/\S+|\S*\d\S*", "_", text.removeprefix("preburn: "))
    return " ".join(plain.split())[-60:]


def do(family: Family, case: Case, top: Path) -> Result:
    """Do a case below an empty folder ``top``; the folder is empty again afterwards."""
    here = top / "here"
    here.mkdir(parents=True)
    (top / "beside.txt").write_bytes(CANARY)
    lay(here, dict(case.files))
    before = photograph(top)
    home = os.getcwd()
    os.chdir(here)
    began = used()
    try:
        told = (family.act or command_line)(case)
    except Exception:
        told = Told(70, "", traceback.format_exc())
    finally:
        os.chdir(home)
    seconds = used() - began
    kind, mark, words = look(family, told)
    touched = changed(before, photograph(top), case)
    if touched and not kind:
        kind, mark, words = "file", f"changed or made: {touched[0]}", ", ".join(touched)
    shutil.rmtree(top)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return Result(told.status != 2, kind, mark, words, seconds, peak)


def used() -> float:
    """Give the processor time that this process and its ended children have used."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime
