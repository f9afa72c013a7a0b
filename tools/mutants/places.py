"""Where operators for sources find their places, and how they change a line."""
from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from mutants.kernel import Kernel
from mutants.lines import Line, code_of
from mutants.model import SOURCE, Edit, Mutant

MOST = 2  # mutants of one operator in one program
CPU_CARDS = ("z80-cpu", "plain-memory", "banked-memory")


def spread(items: Iterable[Mutant], most: int = MOST) -> list[Mutant]:
    """Take at most `most` of what an operator finds, evenly spread over the program."""
    found = list(items)
    if len(found) <= most:
        return found
    return [found[(2 * n + 1) * len(found) // (2 * most)] for n in range(most)]


def replace(kernel: Kernel, line: Line, new: str) -> Edit:
    """Put `new` in the place of a line's operation and operands; label and comment stay."""
    row = kernel.texts[line.file][line.start:line.end]
    code = code_of(row)
    begin = code.index(":") + 1 if line.label else 0
    while begin < len(code) and code[begin] in ": \t":
        begin += 1
    return Edit(line.file, line.start + begin, line.start + len(code.rstrip()), new)


def behind(line: Line, new: str) -> Edit:
    """Put a new line behind a line."""
    return Edit(line.file, line.end, line.end, f"\n        {new}")


def routine(kernel: Kernel, line: Line) -> list[Line]:
    """Give the lines of the routine that a line stands in."""
    return [other for other in kernel.lines
            if other.file == line.file and other.routine == line.routine]


def labels(kernel: Kernel, line: Line) -> tuple[str, ...]:
    """Name a line's routine, every label in it, and the line."""
    found = [other.label for other in routine(kernel, line)
             if other.label and not other.label.rstrip("$").isdigit()]
    return tuple(dict.fromkeys([*filter(None, [line.routine]), *found, line.place]))


def interrupting(kernel: Kernel) -> tuple[str, ...]:
    """Name the slots that may interrupt."""
    return tuple(name for name, slot in kernel.slots.items()
                 if slot.get("card") not in CPU_CARDS)


def made(kernel: Kernel, name: str, line: Line, edits: Iterable[Edit], why: str,
         more: Iterable[str] = (), hints: Iterable[str] = (),
         codes: tuple[str, ...] = ()) -> Mutant:
    """Make the mutant of a line; its routine and `more` are what an answer must name."""
    names = tuple(dict.fromkeys([*labels(kernel, line), *more]))
    return Mutant(kernel.name, name, line.place, SOURCE, names, codes=codes, hints=tuple(hints),
                  why=why, edits=tuple(edits))


def instructions(kernel: Kernel, op: str, test: Callable[[Line], bool] = lambda _: True,
                 ) -> Iterator[Line]:
    """Give the lines with an operation for which a test holds."""
    return (line for line in kernel.lines if line.op == op and test(line))


def handlers(kernel: Kernel) -> Iterator[list[Line]]:
    """Give the lines of each routine that ends an interrupt."""
    seen = set()
    for line in instructions(kernel, "reti"):
        key = (line.file, line.routine)
        if key not in seen:
            seen.add(key)
            yield routine(kernel, line)


def around(kernel: Kernel, line: Line, before: int, after: int) -> list[Line]:
    """Give the instructions beside a line, of the same file, the line itself left out."""
    rows = [row for row in kernel.lines if row.file == line.file and (row.op or row is line)]
    at = rows.index(line)
    return rows[max(0, at - before):at] + rows[at + 1:at + 1 + after]
