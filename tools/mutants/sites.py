"""The mistakes that a program's own builder wrote down beside it, in sites.toml."""
from __future__ import annotations

import tomllib
from collections import Counter

from mutants.kernel import CorpusError, Kernel
from mutants.model import BACKPLANE, LINK, SOURCE, Edit, Mutant

KEYS = {"operator", "file", "old", "new", "names", "why"}
KINDS = {".toml": BACKPLANE, ".ld": LINK}


def mutants(kernel: Kernel) -> list[Mutant]:
    """Read the rows; CorpusError names a row that cannot be made."""
    path = kernel.folder / "sites.toml"
    if not path.exists():
        return []
    try:
        rows = tomllib.loads(path.read_text()).get("site", [])
    except tomllib.TOMLDecodeError as error:
        raise CorpusError(f"{path}: {error}.") from None
    seen: Counter[str] = Counter()
    out = []
    for number, row in enumerate(rows, 1):
        where = f"{path}: site {number}"
        if missing := KEYS - {"why"} - set(row):
            raise CorpusError(f"{where}: lacks {', '.join(sorted(missing))}.")
        text = (kernel.folder / row["file"]).read_text()
        if (times := text.count(row["old"])) != 1 or not row["old"]:
            raise CorpusError(f"{where} ({row['operator']}): its `old` stands {times} times in "
                              f"{row['file']}; it must stand there once.")
        seen[row["operator"]] += 1
        start = text.index(row["old"])
        kind = LINK if row["file"] == "build.toml" else \
            KINDS.get("." + row["file"].rsplit(".", 1)[-1], SOURCE)
        line = text.count("\n", 0, start) + 1
        out.append(Mutant(
            kernel.name, row["operator"], f"site{seen[row['operator']]}", kind,
            (*row["names"], f"{row['file']}:{line}"), why=row.get("why", ""),
            edits=(Edit(row["file"], start, start + len(row["old"]), row["new"]),)))
    return out
