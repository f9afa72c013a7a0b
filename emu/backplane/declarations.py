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

from emu.native.cache import cache_folder


def _digest() -> str:
    root = Path(__file__).parent.parent.parent
    digest = hashlib.sha256(sys.version.encode())
    for path in [Path(__file__), *sorted((root / "emu" / "card").glob("*.py")),
                 *sorted((root / "peripherals").glob("*.py"))]:
        digest.update(path.read_bytes())
    return digest.hexdigest()[:24]


def _read() -> dict[str, Any]:
    """Import the cards and put their declarations into plain data."""
    from emu.backplane.card_catalogue import cards

    return {card.name: declared(card) for card in cards().values()}


def declared(card: Any) -> dict[str, Any]:
    """Put what a card declares into plain data."""
    from emu.backplane.port_rows import usual_order

    return {
        "name": card.name, "summary": card.summary, "source": card.source,
        "registers": list(card.registers), "inputs": list(card.inputs),
        "outputs": list(card.outputs), "channels": list(card.channels),
        "order": list(usual_order(card, {j.name: j.default for j in card.jumpers})),
        "interrupt": ("none", "plain", "chained")[_interrupts(card)],
        "live": sorted(card.live), "actions": sorted(card.actions),
        "kinds": {register: list(kinds) for register, kinds in card.kinds.items()},
        "timer": card.timer,
        "causes": [{"code": cause.code, "title": cause.title} for cause in card.causes],
        "jumpers": [
            {"name": j.name, "kind": j.kind, "default": _plain(j.default), "help": j.help,
             "low": j.low, "high": j.high, "choices": list(j.choices)}
            for j in card.jumpers],
    }


def _interrupts(card: Any) -> int:
    from emu.bus.state import CHAINED_INTERRUPT, NO_INTERRUPT, PLAIN_INTERRUPT

    return (NO_INTERRUPT, PLAIN_INTERRUPT, CHAINED_INTERRUPT).index(card.interrupt)


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value


def declarations(name: str | None = None) -> dict[str, Any]:
    """Give the declarations of all built-in cards, or of one card: by name, also an
    installed one's, or by its card file's path; InputError for an unknown name."""
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
        from emu.backplane.card_catalogue import named_card

        return {name: declared(named_card(name))}
    return {name: known[name]}
