"""The folder for what is made once and used at every later start."""
from __future__ import annotations

import os
import tempfile
from pathlib import Path


def cache_folder() -> Path:
    """Give the folder for machine code, made if need be: the user's cache, else a temporary."""
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    for base in (Path(home) / "preburn", Path(tempfile.gettempdir()) / f"preburn-{os.getuid()}"):
        folder = base / "code"
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            return folder
    return Path(tempfile.mkdtemp(prefix="preburn-"))
