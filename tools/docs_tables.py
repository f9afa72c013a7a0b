"""Write the tables in docs/ that are made from declarations, so that they stay true.

    python tools/docs_tables.py            # write them
    python tools/docs_tables.py --check    # exit 1 when one is not what the code declares

A table stands between ``<!-- table NAME -->`` and ``<!-- end -->``; `TABLES` says who makes it.
Other names are other tools' tables.
"""
from __future__ import annotations

import re
import sys
from collections.abc import Callable
from pathlib import Path

DOCS = Path(__file__).resolve().parent.parent / "docs"


def fault_kinds() -> str:
    """Make the table of electrical faults."""
    from emu.backplane.fault_kinds import KINDS

    rows = ["| kind | what is wrong | settings |", "|---|---|---|"]
    for kind in KINDS.values():
        settings = []
        for key in kind.keys:
            takes = " (" + " or ".join(map(str, key.choices)) + ")" if key.choices else ""
            default = f", default {key.default}" if key.default is not None else ""
            free = ", may be left out" if key.optional else ""
            settings.append(f"`{key.name}`{takes}: {key.help}{default}{free}")
        rows.append(f"| `{kind.name}` | {kind.summary} | {'<br>'.join(settings)} |")
    return "\n".join(rows) + "\n"


def ways_to_fail() -> str:
    """Make the table of entries: how each is reached, and which causes name it."""
    from emu.diagnosis.cause_catalogue import all_causes
    from emu.diagnosis.failure_modes import ENTRIES

    rows = ["| entry | what fails | shown | causes |", "|---|---|---|---|"]
    for entry in ENTRIES:
        causes = ", ".join(f"`{c.code}`" for c in all_causes() if entry.code in c.entries)
        how = entry.how + (f": {entry.by}" if entry.by else "")
        rows.append(f"| {entry.code} | {entry.title} | {how} | {causes or '-'} |")
    return "\n".join(rows) + "\n"


def causes() -> str:
    """Make the list of all causes."""
    from emu.diagnosis.cause_catalogue import all_causes

    rows = ["| cause | what it is | what proves it |", "|---|---|---|"]
    rows += [f"| `{c.code}` | {c.title} | {c.evidence} |" for c in all_causes()]
    return "\n".join(rows) + "\n"


TABLES: dict[str, Callable[[], str]] = {
    "faults": fault_kinds, "entries": ways_to_fail, "causes": causes,
}


PLACE = re.compile(rf"(<!-- table ({'|'.join(TABLES)}) -->\n).*?(<!-- end -->)", re.S)


def filled(text: str) -> str:
    """Put the tables into a page; tables of other tools stay as they are."""
    return PLACE.sub(lambda found: found[1] + TABLES[found[2]]() + found[3]
                     if found[2] in TABLES else found[0], text)


def main(arguments: list[str]) -> int:
    """Write or check every page; the exit status."""
    stale = []
    for page in sorted(DOCS.glob("*.md")):
        text = page.read_text()
        wanted = filled(text)
        if wanted != text:
            stale.append(page.name)
            if "--check" not in arguments:
                page.write_text(wanted)
    if stale:
        word = "is not what the code declares" if "--check" in arguments else "written"
        print(f"docs/{', docs/'.join(stale)}: {word}")
    return int(bool(stale) and "--check" in arguments)


if __name__ == "__main__":
    sys.path.insert(0, str(DOCS.parent))
    sys.exit(main(sys.argv[1:]))
