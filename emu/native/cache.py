"""The folder for what is made once and used at every later start."""
from __future__ import annotations

import os
import stat
import sys
import tempfile
from pathlib import Path


def _ours_alone(folder: Path) -> bool:
    """Tell whether nobody else can put machine code here: it is run as it is found."""
    status = folder.lstat()
    return stat.S_ISDIR(status.st_mode) and status.st_uid == os.getuid() \
        and not status.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def cache_folder() -> Path:
    """Give the folder for machine code, made if need be: the user's cache, else a temporary.

    One that others may write to, or that belongs to somebody else, is passed over.
    """
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    for base in (Path(home) / "preburn", Path(tempfile.gettempdir()) / f"preburn-{os.getuid()}"):
        folder = base / "code"
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK) and _ours_alone(base) and _ours_alone(folder):
            return folder
    return Path(tempfile.mkdtemp(prefix="preburn-"))


def keep_bytecode() -> None:
    """Let this process and those that it starts keep Python's bytecode in the cache.

    For where the interpreter is told to write none beside the sources: compiling ours anew
    at every start takes 0.3 s.
    """
    sys.pycache_prefix = str(cache_folder() / "bytecode")
    sys.dont_write_bytecode = False
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
