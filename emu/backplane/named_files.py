"""The files that a backplane file is made of: those it extends, cards, images, names."""
from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from emu.backplane.description import load_tree, read_toml, slot_card
from emu.errors import InputError
from emu.files.ramload import split_address

DEEPEST = 16


def extended(path: Path) -> list[Path]:
    """List a backplane file and those that it extends, as far as they can be read."""
    out = [path]
    try:
        while len(out) < DEEPEST and isinstance(base := read_toml(out[-1]).get("extends"), str):
            out.append(out[-1].parent / base)
    except InputError:
        pass
    return out


def named_files(path: Path) -> list[Path]:
    """List the files that a machine is built from, there or not; media are not among them.

    Of a file with a mistake in it, only what it extends.
    """
    found = dict.fromkeys(extended(path))
    try:
        slots = load_tree(path).get("slot", {})
    except InputError:
        return list(found)
    for table in slots.values():
        if isinstance(table, Mapping) and table.get("fitted") is not False:
            found.update(dict.fromkeys(map(Path, _of_slot(table))))
    return list(found)


def _of_slot(table: Mapping[str, Any]) -> Iterator[str]:
    card, name = slot_card(table), str(table.get("card", ""))
    if name.endswith((".toml", ".py")):
        yield name
    kinds = {jumper.name: jumper.kind for jumper in card.jumpers} if card is not None else {}
    for key, value in table.items():
        kind = "file" if key == "symbols" else kinds.get(key, "")
        if kind == "files" and isinstance(value, Mapping):
            yield from (split_address(str(text))[0] for text in value.values())
        elif kind == "file":
            for one in value.values() if isinstance(value, Mapping) else [value]:
                yield from (str(each) for each in (one if isinstance(one, list) else [one]))
