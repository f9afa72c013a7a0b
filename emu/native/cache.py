"""The folder for what is made once and used at every later start."""
from __future__ import annotations

import atexit
import os
import shutil
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from emu.errors import InputError, one_line


def _ours_alone(folder: Path) -> bool:
    """Tell whether nobody else can put machine code here: it is run as it is found."""
    status = folder.lstat()
    return stat.S_ISDIR(status.st_mode) and status.st_uid == os.getuid() \
        and not status.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def cache_folder() -> Path:
    """Give the folder for machine code, made if need be: the user's cache, else a temporary.

    One that others may write to, or that belongs to somebody else, is passed over.  Where there is
    none, one is made for this process and those that it starts, and it is told; InputError when
    that cannot be, either.
    """
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    for base in _bases(home):
        folder = base / "code"
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK) and _ours_alone(base) and _ours_alone(folder):
            return folder
    return _for_this_run(home)


def _bases(home: str) -> Iterator[Path]:
    yield Path(home) / "preburn"
    with suppress(OSError):  # no temporary folder, either
        yield Path(tempfile.gettempdir()) / f"preburn-{os.getuid()}"


def _for_this_run(home: str) -> Path:
    try:
        made = tempfile.mkdtemp(prefix="preburn-")
    except OSError:
        raise InputError(f"there is no folder for machine code: neither {home} nor a temporary "
                         f"folder can be written; set XDG_CACHE_HOME to a folder of yours.") \
            from None
    atexit.register(shutil.rmtree, made, True)
    os.environ["XDG_CACHE_HOME"] = made
    print(one_line(f"preburn: {home} cannot keep machine code for the next start, so each compiles "
                   f"it anew; set XDG_CACHE_HOME to a folder of yours."), file=sys.stderr)
    folder = Path(made) / "preburn" / "code"
    folder.mkdir(mode=0o700, parents=True)
    return folder


def keep_bytecode() -> None:
    """Let this process and those that it starts keep Python's bytecode in the cache.

    For where the interpreter is told to write none beside the sources: compiling ours anew
    at every start takes 0.3 s.
    """
    sys.pycache_prefix = str(cache_folder() / "bytecode")
    sys.dont_write_bytecode = False
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
