"""Lines of Z80 assembly, of either assembler, with where they stand in their file."""
from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

CODE = re.compile(r"""((?:"(?:\\.|[^"\\])*"|'.'|[^;"])*)""")
LABEL = re.compile(r"^\s*([A-Za-z_.$][\w.$]*|\d+\$?):{1,2}")
C_FUNCTION = re.compile(r"^[A-Za-z_][\w \t*]*?\b(\w+)\s*\([^;{}]*(?:\{|$|__)")
OPENS, CLOSES = re.compile(r"\b__asm\b(?!__)"), re.compile(r"\b__endasm\b")


@dataclass(frozen=True)
class Line:
    """One line: label, operation and operands in lower case, and its place."""

    file: str
    number: int
    start: int  # of its first character in the file
    end: int  # behind its last character, without the end of line
    label: str | None
    op: str
    args: str
    routine: str  # the label of the routine, or the C function, that it stands in

    @property
    def operands(self) -> list[str]:
        """The operands, one by one."""
        return [part.strip() for part in self.args.split(",")] if self.args else []

    @property
    def place(self) -> str:
        """FILE:LINE."""
        return f"{self.file}:{self.number}"


def code_of(row: str) -> str:
    """Return a line without its comment."""
    found = CODE.match(row)
    return found[1] if found else row


def parts(row: str) -> tuple[str | None, str, str]:
    """Split a line into label, operation and operands."""
    code = code_of(row)
    label = None
    if found := LABEL.match(code):
        label, code = found[1], code[found.end():]
    op, _, args = code.strip().partition(" ") if "\t" not in code.strip() else \
        tuple(re.split(r"(\s+)", code.strip(), maxsplit=1))
    return label, op.lower(), " ".join(args.split())


def lines_of(file: str, text: str) -> Iterator[Line]:
    """Give the lines of assembly of one file; of a C file those between __asm and __endasm."""
    in_c = file.endswith((".c", ".h"))
    inside, at, routine = not in_c, 0, ""
    routines = None if in_c else routine_labels(text)
    for number, row in enumerate(text.split("\n"), 1):
        start, at = at, at + len(row) + 1
        if in_c:
            if not inside and (found := C_FUNCTION.match(row)):
                routine = found[1]
            if CLOSES.search(row):
                inside = False
            if not inside:
                inside = bool(OPENS.search(row))
                continue
        label, op, args = parts(row)
        if label and routines is not None and label in routines:
            routine = label
        yield Line(file, number, start, start + len(row), label, op, args, routine)


def routine_labels(text: str) -> set[str]:
    """Give the labels that begin a routine: called, put into a table, global, or behind .org."""
    wanted: set[str] = set()
    labels: list[str] = []
    placed = True  # behind an .org, as restarts and fixed entries are
    for row in text.split("\n"):
        label, op, args = parts(row)
        if label and not label[0].isdigit() and not label.startswith("."):
            labels.append(label)
            wanted |= {label} if placed else set()
        placed = op in (".org", "org") or (placed and not label and not op)
        words = re.findall(r"[A-Za-z_]\w*", args)
        if op in ("call", ".word", ".dw", "dw", ".2byte", ".hword", ".global", ".globl", "jp",
                  "ld", "rst"):
            wanted |= set(words)
    return wanted & set(labels)
