"""The escape key: its name, its byte, and finding it in what is typed."""
from __future__ import annotations

from emu.errors import InputError

USUAL = "ctrl-_"


def byte_of(name: str) -> int:
    """Read a key such as "ctrl-_" or "ctrl-t"; InputError for one that ends lines or is none."""
    key = name.lower().removeprefix("ctrl-")
    if len(key) != 1 or not name.lower().startswith("ctrl-") or key not in \
            "abcdefghijklmnopqrstuvwxyz[\\]^_":
        raise InputError(f"--escape takes a key such as ctrl-t or {USUAL}, not {name!r}.")
    byte = ord(key.upper()) & 0x1F
    if byte in (0x0D, 0x0A, 0x08, 0x09, 0x1B):
        raise InputError(f"--escape {name}: this key is Return, Tab, Backspace or Escape on a "
                         f"terminal; take another, such as {USUAL}.")
    return byte


def split(keys: bytes, escape: int) -> tuple[bytes, bytes | None]:
    """Cut typed bytes at the escape key: what goes to the machine, and what is behind, if any."""
    at = keys.find(escape)
    return (keys, None) if at < 0 else (keys[:at], keys[at + 1:])
