"""The cards' declarations as plain data, kept in the cache.

Importing the cards costs the start of numpy; what they declare changes only with their
sources, so it is kept beside the machine code, keyed by a hash of the sources.
"""
from __future__ import annotations

import hashlib
import json
import os
import sys
from pathlib import Path
from typing import Any

from emu.cache import cache_folder
from emu.errors import InputError


def _digest() -> str:
    root = Path(__file__).parent.parent
    digest = hashlib.sha256(sys.version.encode())
    for path in sorted((root / "peripherals").glob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:24]


def _read() -> dict[str, Any]:
    """Import the cards and put their declarations into plain data."""
    from emu.catalogue import cards

    return {
        card.name: {
            "name": card.name, "summary": card.summary, "source": card.source,
            "registers": list(card.registers), "inputs": list(card.inputs),
            "outputs": list(card.outputs), "channels": list(card.channels),
            "jumpers": [
                {"name": j.name, "kind": j.kind, "default": _plain(j.default), "help": j.help,
                 "low": j.low, "high": j.high, "choices": list(j.choices)}
                for j in card.jumpers],
        } for card in cards().values()}


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value


def declarations(name: str | None = None) -> dict[str, Any]:
    """Give the declarations of all cards, or of one; InputError for an unknown name."""
    place = cache_folder() / f"cards-{_digest()}.json"
    try:
        known: dict[str, Any] = json.loads(place.read_text())
    except (OSError, ValueError):
        known = _read()
        draft = place.with_suffix(f".{os.getpid()}")
        draft.write_text(json.dumps(known))
        os.replace(draft, place)
    if name is None:
        return known
    if name not in known:
        from difflib import get_close_matches

        close = get_close_matches(name, known, 1)
        hint = f"did you mean {close[0]!r}?" if close else f"known are {', '.join(known)}."
        raise InputError(f"there is no card {name!r}; {hint}")
    return {name: known[name]}
