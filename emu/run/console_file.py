"""All that the terminals of a run have shown, kept in a text file."""
from __future__ import annotations

from pathlib import Path

from emu.files.atomic import check_output, write_atomic
from emu.run.session import Session

HEAD = b"preburn: what the terminals showed, "
WHAT = "kept console"


def check(path: Path) -> None:
    """Look before a run whether it may be written there; InputError if not."""
    check_output(path, WHAT, HEAD)


def write(path: Path, session: Session) -> None:
    """Write the bytes of each terminal that showed any, each below a line with its name."""
    parts = [HEAD + session.machine.description.path.name.encode() + b"\n"]
    for channel in session.console.channels.values():
        if channel.text:
            parts += [f"--- {channel.name}\n".encode(), bytes(channel.text), b"\n"]
    write_atomic(path, b"".join(parts), WHAT)
