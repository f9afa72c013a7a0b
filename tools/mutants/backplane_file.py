"""Write a backplane tree as TOML, and change values in it."""
from __future__ import annotations

import copy
import json
from collections.abc import Iterable, Mapping
from typing import Any

from mutants.model import DELETE, Setting


def changed(tree: Mapping[str, Any], settings: Iterable[Setting]) -> dict[str, Any]:
    """Return a copy of a tree with values put in or taken out."""
    out = copy.deepcopy(dict(tree))
    for setting in settings:
        table = out
        for key in setting.path[:-1]:
            table = table.setdefault(key, {})
        if setting.value is DELETE:
            table.pop(setting.path[-1], None)
        else:
            table[setting.path[-1]] = setting.value
    return out


def write(tree: Mapping[str, Any]) -> str:
    """Return the text of a backplane file."""
    lines = [f"{key} = {_value(value)}" for key, value in tree.items()
             if key not in ("backplane", "slot", "wire", "fault")]
    if "backplane" in tree:
        lines += ["[backplane]", *_rows(tree["backplane"])]
    for name, slot in tree.get("slot", {}).items():
        lines += [f"[slot.{name}]", *_rows(slot)]
    for kind in ("wire", "fault"):
        for row in tree.get(kind, []):
            lines += [f"[[{kind}]]", *_rows(row)]
    return "\n".join(lines) + "\n"


def _rows(table: Mapping[str, Any]) -> list[str]:
    return [f"{json.dumps(key)} = {_value(value)}" for key, value in table.items()]


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(_rows(value)) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value)
