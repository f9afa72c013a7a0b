"""How the numbers of a backplane file are written, which TOML's values no longer tell."""
from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from emu.backplane.named_files import extended
from emu.files.inputfile import read_limited

HEADER = re.compile(r"\s*\[\s*slot\s*\.\s*([A-Za-z0-9_-]+)\s*\]")
ANY_HEADER = re.compile(r"\s*\[")
SETTING = re.compile(r"\s*([A-Za-z0-9_-]+)\s*=\s*([0-9][0-9A-Fa-fxX_]*)\s*(?:#.*)?$")
PORTS = re.compile(r"\s*ports\s*=\s*\{(.*)\}")
PAIR = re.compile(r"([A-Za-z0-9_-]+)\s*=\s*([0-9][0-9A-Fa-fxX_]*)")
LIMIT = 1 << 20


@dataclass(frozen=True)
class WrittenNumber:
    """A number of a slot as its file has it; ``port``: it is one."""

    slot: str
    key: str
    text: str
    port: bool


def written_numbers(path: Path) -> list[WrittenNumber]:
    """List the numbers of the slots of a file and of those it extends, the nearest of each.

    Slots written as tables of their own are seen; in other forms of TOML they are not.
    """
    found: dict[tuple[str, str], WrittenNumber] = {}
    for each in reversed(extended(path)):
        slot = ""
        for line in _text(each).splitlines():
            if ANY_HEADER.match(line):
                header = HEADER.match(line)
                slot = header[1] if header else ""
            if not slot:
                continue
            if match := SETTING.match(line):
                found[slot, match[1]] = WrittenNumber(slot, match[1], match[2],
                                                      match[1] == "base")
            elif match := PORTS.match(line):
                for key, text in PAIR.findall(match[1]):
                    found[slot, key] = WrittenNumber(slot, key, text, True)
    return list(found.values())


def _text(path: Path) -> str:
    return read_limited(path, "backplane file", LIMIT, empty=True).decode("utf-8", "replace")
