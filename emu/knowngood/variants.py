"""Machines that differ from a backplane file in some settings: its tree with changes laid over."""
from __future__ import annotations

import copy
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from emu.backplane.description import Description, chip_setting, describe, load_tree
from emu.errors import InputError, nearest

Tree = dict[str, Any]


def changed(tree: Mapping[str, Any], changes: Mapping[str, Any]) -> Tree:
    """Lay values over a tree, each under a dotted key such as "slot.cpu.clock".

    Raises InputError for a slot that the tree does not have.
    """
    out = copy.deepcopy(dict(tree))
    for key, value in changes.items():
        parts = key.split(".")
        if parts[0] == "slot" and len(parts) == 3 and parts[1] not in out.get("slot", {}):
            raise InputError(f"{key}: there is no slot {parts[1]!r}; "
                             f"{nearest(parts[1], out.get('slot', {}))}")
        table = out
        for part in parts[:-1]:
            table = table.setdefault(part, {})
            if not isinstance(table, dict):
                raise InputError(f"{key}: {part} is no table; write slot.NAME.SETTING.")
        table[parts[-1]] = value
    return out


def image_slot(tree: Mapping[str, Any], path: Path) -> str:
    """Name the one slot that holds an image; InputError when there is none or several."""
    slots: list[str] = [name for name, table in tree.get("slot", {}).items()
             if isinstance(table, dict) and chip_setting(table) and table.get("fitted", True)]
    if len(slots) != 1:
        raise InputError(f"{path}: {', '.join(slots) or 'no slot'} holds an image, so it is not "
                         f"plain where another one belongs; give a backplane file instead.")
    return slots[0]


def with_image(path: Path, image: Path) -> Description:
    """Describe the machine of a backplane file with another image in it."""
    tree = load_tree(path)
    slot = image_slot(tree, path)
    chip = chip_setting(tree["slot"][slot])
    return describe(changed(tree, {f"slot.{slot}.{chip}": str(image)}), path)
