"""Write and read known-good records: JSON, a row a line, closed with a seal.

The seal is the SHA-256 of everything else in it, so that a file that was edited by hand,
or cut off by a merge, is not taken for what a run did.
"""
from __future__ import annotations

import hashlib
import json
from pathlib import Path
from types import NoneType
from typing import Any

from emu.errors import InputError, one_line
from emu.files.atomic import check_output, write_atomic
from emu.files.inputfile import read_limited
from emu.files.shape import ANY, Row, misfit
from emu.knowngood.record import VERSION, Tree

FORMAT = "preburn known-good record"
SIZE_LIMIT = 16 << 20
FILES = {ANY: {"file": str, "sha256": str}}
PIECES = {"power-on": str, "changed": {ANY: str}}
SHAPE = {
    "preburn": str, "machine": {"name": str, "seed": int}, "images": FILES, "media": FILES,
    "boot": {"until": (str, NoneType), "limit": str, "steps": [Row((str, str, str))],
             "places": [str]},
    "end": {"verdict": str, "t": int}, "milestones": [Row((str, int))],
    "console": {ANY: {"lines": [Row((int, str))], "times": str}},
    "interrupts": {"cards": {ANY: {ANY: int}}, "vectors": {ANY: int}},
    "ports": {ANY: [Row((str, int, int, str))]}, "memory": {ANY: PIECES},
    "bus": {"cycles": int, "digest": str, "checkpoints": [Row((int, int, str))]}}


def seal_of(tree: Tree) -> str:
    """Give the seal of a record."""
    rest = {key: value for key, value in tree.items() if key not in ("format", "seal")}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def dump(tree: Tree) -> str:
    """Write a record as text: sorted as it is made, a row of numbers and texts a line."""
    whole = {"format": FORMAT, **tree, "seal": seal_of(tree)}
    return _text(whole, 0) + "\n"


def _text(value: Any, depth: int) -> str:
    if isinstance(value, dict | list) and value and not _flat(value):
        inner, here = "  " * (depth + 1), "  " * depth
        if isinstance(value, dict):
            rows = [f"{inner}{_word(key)}: {_text(v, depth + 1)}" for key, v in value.items()]
            return "{\n" + ",\n".join(rows) + f"\n{here}}}"
        rows = [inner + _text(v, depth + 1) for v in value]
        return "[\n" + ",\n".join(rows) + f"\n{here}]"
    return _word(value)


def _word(value: Any) -> str:
    return json.dumps(value, ensure_ascii=True)


def _flat(value: Any) -> bool:
    """Tell whether a list holds no other tables or lists, or a table is that of an image."""
    if isinstance(value, dict):
        return False
    return not any(isinstance(v, dict | list) for v in value)


def check(path: Path) -> None:
    """Look before a run whether a record may be written there; InputError if not."""
    check_output(path, "record", FORMAT.encode("ascii"))


def write(path: Path, tree: Tree) -> None:
    """Write a record, whole or not at all; InputError when the place cannot be written."""
    write_atomic(path, dump(tree).encode("ascii"), "record")


def read(path: Path) -> Tree:
    """Read a record; InputError says what is wrong with the file and how to mend it."""
    data = read_limited(path, "record", SIZE_LIMIT)
    try:
        tree = json.loads(data)
    except (ValueError, RecursionError) as error:
        where = f"line {error.lineno}" if isinstance(error, json.JSONDecodeError) else "the text"
        raise InputError(f"{path}: {where} is broken JSON, so this is no record, or one that was "
                         f"edited by hand; record the good image again.") from None
    if not isinstance(tree, dict) or tree.get("format") != FORMAT:
        raise InputError(f"{path}: is no known-good record; make one with preburn record.")
    found = tree.get("version")
    if not isinstance(found, int) or isinstance(found, bool) or found < 1:
        raise InputError(f"{path}: names no version; record the good image again.")
    if found > VERSION:
        raise InputError(f"{path}: is a record of version {found}, made by preburn "
                         f"{tree.get('preburn')}; this preburn reads up to version {VERSION}: "
                         f"install a newer one, or record the good image again.")
    if tree.get("seal") != seal_of(tree):
        raise InputError(f"{path}: was edited after it was recorded: its seal does not fit; take "
                         f"the file back from version control, or record the good image again.")
    if place := misfit(tree, SHAPE):
        raise InputError(f"{path}: {one_line(place)} is missing or not as records have it; record "
                         f"the good image again.")
    return tree
