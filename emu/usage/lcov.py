"""Coverage as an LCOV tracefile, for the usual viewers; runs of the same images add up in it.

The records (TN, SF, FN, FNDA, BRDA, DA, ...) are those of geninfo's manual page, from memory.
The test's name, TN, holds the digest of the images: a file of other images starts anew.
"""
from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from emu.errors import InputError
from emu.files.atomic import check_output, write_atomic
from emu.files.inputfile import read_limited
from emu.usage.coverage import Count, Coverage

MARK = "TN:preburn_"
WHAT = "coverage file of preburn"
LIMIT = 64 << 20  # bytes of a file that is added to


@dataclass
class Source:
    """The counts of one source file."""

    functions: dict[str, tuple[int, int]] = field(default_factory=dict)  # name: line, calls
    branches: dict[tuple[int, int], list[int]] = field(default_factory=dict)  # line, block: ways
    lines: dict[int, int] = field(default_factory=dict)

    def add(self, other: Source) -> None:
        """Add the counts of another run."""
        for name, (line, ran) in other.functions.items():
            self.functions[name] = line, self.functions.get(name, (line, 0))[1] + ran
        for key, ways in other.branches.items():
            mine = self.branches.setdefault(key, [0, 0])
            mine[0] += ways[0]
            mine[1] += ways[1]
        for line, ran in other.lines.items():
            self.lines[line] = self.lines.get(line, 0) + ran


def check(path: Path) -> None:
    """Look before a run whether the file may be written; InputError if not."""
    check_output(path, WHAT, MARK.encode())


def write(path: Path, found: Sequence[Coverage], where: Mapping[str, Path]) -> None:
    """Write the counts; what a file of the same images holds already is added.

    ``where`` finds the sources.  Raises InputError when it cannot be written.
    """
    files: dict[str, Source] = {}
    for one in found:
        for name, counts in one.files.items():
            files.setdefault(str(where.get(name, name)), Source()).add(_source(counts.values()))
    title = MARK + re.sub(r"\W", "_", "_".join(sorted(one.images for one in found)))
    if path.is_file() and path.stat().st_size:
        for name, source in _read(path, title).items():
            files.setdefault(name, Source()).add(source)
    text = "".join(f"{title}\n{_record(name, source)}" for name, source in sorted(files.items()))
    write_atomic(path, (text or title + "\n").encode(), WHAT)


def _source(counts: Iterable[Count]) -> Source:
    out = Source()
    blocks: dict[int, int] = defaultdict(int)
    for count in counts:
        line = count.line
        out.lines[line] = max(out.lines.get(line, 0), count.ran)
        if count.function and count.function not in out.functions:
            out.functions[count.function] = line, count.ran
        if count.branch:
            out.branches[line, blocks[line]] = [count.taken, count.ran - count.taken]
            blocks[line] += 1
    return out


def _record(name: str, source: Source) -> str:
    out = [f"SF:{name}"]
    out += [f"FN:{line},{f}" for f, (line, _) in source.functions.items()]
    out += [f"FNDA:{ran},{f}" for f, (_, ran) in source.functions.items()]
    out += [f"FNF:{len(source.functions)}",
            f"FNH:{sum(ran > 0 for _, ran in source.functions.values())}"]
    for (line, block), ways in sorted(source.branches.items()):
        for way, ran in enumerate(ways):
            out.append(f"BRDA:{line},{block},{way},{ran if sum(ways) else '-'}")
    taken = sum(ran > 0 for ways in source.branches.values() for ran in ways)
    out += [f"BRF:{2 * len(source.branches)}", f"BRH:{taken}"]
    out += [f"DA:{line},{ran}" for line, ran in sorted(source.lines.items())]
    out += [f"LF:{len(source.lines)}", f"LH:{sum(ran > 0 for ran in source.lines.values())}"]
    return "\n".join([*out, "end_of_record", ""])


def _read(path: Path, title: str) -> dict[str, Source]:
    """Read a file that was written before; nothing of it counts when its title is another."""
    files: dict[str, Source] = {}
    source = Source()
    for number, line in enumerate(read_limited(path, WHAT, LIMIT).decode("utf-8", "replace")
                                  .splitlines(), 1):
        kind, _, rest = line.partition(":")
        try:
            if kind == "TN" and line != title:
                return {}
            if kind == "SF":
                source = files.setdefault(rest, Source())
            elif kind == "FN":
                at, name = rest.split(",", 1)
                source.functions[name] = int(at), 0
            elif kind == "FNDA":
                ran, name = rest.split(",", 1)
                source.functions[name] = source.functions[name][0], int(ran)
            elif kind == "BRDA":
                at, block, way, ran = rest.split(",")
                ways = source.branches.setdefault((int(at), int(block)), [0, 0])
                ways[int(way)] = 0 if ran == "-" else int(ran)
            elif kind == "DA":
                at, ran = rest.split(",")[:2]
                source.lines[int(at)] = int(ran)
        except (ValueError, KeyError, IndexError):
            raise InputError(f"{path}: line {number} is none of a coverage file's: {line[:40]!r}; "
                             f"remove the file, and it is made anew.") from None
    return files
