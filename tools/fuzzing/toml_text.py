"""Write TOML, for backplane files made of hostile values."""

from __future__ import annotations

import json
import math
import re
from typing import Any

BARE = re.compile(r"[A-Za-z0-9_-]+")


def key(name: str) -> str:
    """Write a key."""
    return name if BARE.fullmatch(name) else string(name)


def string(text: str) -> str:
    """Write a text; what TOML forbids is escaped."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def inline(value: Any) -> str:
    """Write a value on one line."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return str(value) if math.isfinite(value) else str(value).replace("infinity", "inf")
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return string(value)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key(k)} = {inline(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(inline, value)) + "]"
    return str(value)  # a date, written bare


def document(tree: dict[str, Any]) -> str:
    """Write a backplane file: slots and the backplane as tables, wires and faults as lists."""
    tables, out = [], []
    for name, value in tree.items():
        if name == "slot" and isinstance(value, dict):
            for slot, inner in value.items():
                if isinstance(inner, dict):
                    tables.append((f"[slot.{key(slot)}]", inner))
                else:
                    tables.append((f"[slot]\n{key(slot)} = {inline(inner)}", {}))
        elif (
            name in ("wire", "fault")
            and isinstance(value, list)
            and all(isinstance(one, dict) for one in value)
        ):
            tables += [(f"[[{name}]]", one) for one in value]
        elif isinstance(value, dict):
            tables.append((f"[{key(name)}]", value))
        else:
            out.append(f"{key(name)} = {inline(value)}")
    for head, table in tables:
        out += ["", head, *(f"{key(k)} = {inline(v)}" for k, v in table.items())]
    return "\n".join(out) + "\n"
