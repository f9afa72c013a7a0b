"""Put a tool's table into a page, between ``<!-- table NAME -->`` and ``<!-- end -->``."""
from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

DOCS = Path(__file__).resolve().parent.parent / "docs"


def table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """Make a table's lines."""
    lines = [head, ["---"] * len(head), *rows]
    return "".join(f"| {' | '.join(map(str, line))} |\n" for line in lines)


def put(page: str, name: str, text: str) -> None:
    """Put a text in the place of a page; ValueError when the page has no such place."""
    path = DOCS / page
    place = re.compile(rf"(<!-- table {name} -->\n).*?(<!-- end -->)", re.S)
    old = path.read_text()
    new, count = place.subn(lambda found: found[1] + text + found[2], old)
    if count != 1:
        raise ValueError(f"docs/{page} has no place for the table {name}")
    path.write_text(new)
