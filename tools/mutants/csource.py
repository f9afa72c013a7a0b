"""Operators for C sources: flags, tests of registers, tables, handlers."""
from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from mutants.kernel import Kernel
from mutants.labels import of_card
from mutants.lines import C_FUNCTION
from mutants.model import SOURCE, Edit, Mutant, Registry
from mutants.places import interrupting, spread

REGISTRY = Registry(SOURCE, 2)
FLAG_SET = re.compile(r"(?<![\w.>])([a-z_]\w*)\s*=\s*([1-9]\w*|0x[0-9A-Fa-f]+)\s*;")
COUNTED = re.compile(r"(?<![\w.>\])])([a-z_]\w*)(?:\+\+|--)\s*;")
MASKED = re.compile(r"\(([^()]*\+\s*1[^()]*)\)\s*&\s*(\([^()]*\)|\w+)")
ARRAY = re.compile(r"\b(\w*(?:stack|stk)\w*)\s*\[\s*(\w+)\s*\](?=\s*[,;])", re.I)
TEST = re.compile(r"\bwhile\s*\(\s*(!?)\s*\(?\s*(\w+)\s*&\s*(\w+)")
LOOP = re.compile(r"\bfor\s*\([^;]*;\s*(\w+)\s*<\s*[^;=]+;")
SFR_STORE = re.compile(r"^\s*(\w+)\s*=\s*([^=;][^;]*);")


def _rows(kernel: Kernel) -> Iterator[tuple[str, int, int, str, str]]:
    """Give file, number, start, function and text of each line of C outside assembly."""
    for file, text in kernel.texts.items():
        if not file.endswith((".c", ".h")):
            continue
        at, function, assembly = 0, "", False
        for number, row in enumerate(text.split("\n"), 1):
            if found := C_FUNCTION.match(row):
                function = found[1]
            assembly = (assembly or "__asm" in row) and "__endasm" not in row
            if not assembly and not row.lstrip().startswith(("#", "*", "/*", "//")):
                yield file, number, at, function, row
            at += len(row) + 1


def _made(kernel: Kernel, name: str, row: tuple[str, int, int, str, str], span: tuple[int, int],
          new: str, why: str, more: Iterable[str], codes: tuple[str, ...] = ()) -> Mutant:
    file, number, start, function, _ = row
    names = tuple(dict.fromkeys([*more, *([function] if function else []), f"{file}:{number}"]))
    edit = Edit(file, start + span[0], start + span[1], new)
    return Mutant(kernel.name, name, f"{file}:{number}", SOURCE, names, codes=codes, why=why,
                  hints=interrupting(kernel), edits=(edit,))


def _port(kernel: Kernel, word: str) -> list[str]:
    """Name the port and the slot that a register variable stands for."""
    port = kernel.equates.get(word)
    if port is None or port not in kernel.ports:
        return []
    return [f"{port:#04x}", kernel.ports[port]]


@REGISTRY.add("volatile-missing")
def volatile(kernel: Kernel) -> list[Mutant]:
    """A variable that a handler changes is not volatile."""
    out = []
    for row in _rows(kernel):
        if (found := re.search(r"\bvolatile\s+", row[4])) and row[4].rstrip().endswith(";"):
            names = re.findall(r"[A-Za-z_]\w*(?=\s*(?:[,;=]|\[))", row[4][found.end():])
            out.append(_made(kernel, "volatile-missing", row, found.span(), "",
                             "the loop looks at a register's copy", names))
    return spread(out)


@REGISTRY.add("handler-not-interrupt")
def handler(kernel: Kernel) -> list[Mutant]:
    """A handler is compiled as a plain function."""
    out = []
    for row in _rows(kernel):
        if (found := re.search(r"\s*__interrupt\b(?:\s*\(\s*\w+\s*\))?", row[4])) and \
                not row[4].rstrip().endswith(";"):
            out.append(_made(kernel, "handler-not-interrupt", row, found.span(), "",
                             "it saves nothing and ends with RET", []))
    return spread(out)


@REGISTRY.add("mask-missing")
def mask(kernel: Kernel) -> list[Mutant]:
    """A ring's index is not masked."""
    return spread(_made(kernel, "mask-missing", row, found.span(), f"({found[1]})",
                        "the index runs out of the ring", re.findall(r"[a-z_]\w+", found[1]))
                  for row in _rows(kernel) if (found := MASKED.search(row[4])))


@REGISTRY.add("array-too-small")
def array(kernel: Kernel) -> list[Mutant]:
    """A stack is declared with 12 bytes."""
    return spread(_made(kernel, "array-too-small", row, found.span(2), "12",
                        "its process writes over what stands below it",
                        [found[1], *re.findall(r"[a-z_]\w+", row[4])])
                  for row in _rows(kernel) if (found := ARRAY.search(row[4])) and not row[3])


@REGISTRY.add("flag-never-set")
def flag(kernel: Kernel) -> list[Mutant]:
    """A variable that others wait for is never set."""
    out = (_made(kernel, "flag-never-set", row, found.span(), ";",
                 "whoever waits for it waits for ever", [found[1]])
           for row in _rows(kernel) if row[3] and (found := FLAG_SET.search(row[4]))
           and found[1] not in kernel.equates)
    return spread(out, 3)


@REGISTRY.add("counter-never-moves")
def counter(kernel: Kernel) -> list[Mutant]:
    """A counter is never moved."""
    out = (_made(kernel, "counter-never-moves", row, found.span(), ";",
                 "what hangs on the count never comes", [found[1]])
           for row in _rows(kernel) if row[3] and (found := COUNTED.search(row[4])))
    return spread(out, 3)


@REGISTRY.add("loop-one-too-far")
def loop(kernel: Kernel) -> list[Mutant]:
    """A loop goes one step too far."""
    out = []
    for row in _rows(kernel):
        if found := LOOP.search(row[4]):
            at = row[4].index("<", found.start())
            out.append(_made(kernel, "loop-one-too-far", row, (at, at + 1), "<=",
                             "what stands behind is taken for one more", []))
    return spread(out)


@REGISTRY.add("status-test-turned")
def status_test(kernel: Kernel) -> list[Mutant]:
    """A loop waits for the other level of a status bit."""
    out = []
    for row in _rows(kernel):
        found = TEST.search(row[4])
        if found and _port(kernel, found[2]):
            new = "" if found[1] else "!"
            out.append(_made(kernel, "status-test-turned", row, found.span(1), new,
                             "the wait ends when it should go on", _port(kernel, found[2])))
    return spread(out)


@REGISTRY.add("register-store-missing")
def store(kernel: Kernel) -> list[Mutant]:
    """A byte that a chip needs at the start is never written."""
    out = []
    for row in _rows(kernel):
        found = SFR_STORE.match(row[4])
        if found and (names := _port(kernel, found[1])):
            out.append(_made(kernel, "register-store-missing", row, found.span(), "",
                             "the chip takes the next byte for another one, or stays off",
                             names, of_card(kernel, names[1], "set-up")))
    return spread(out, 4)


@REGISTRY.add("register-byte-other")
def byte(kernel: Kernel) -> list[Mutant]:
    """The highest bit that is set in a chip's control byte is left out."""
    out = []
    for row in _rows(kernel):
        found = SFR_STORE.match(row[4])
        number = kernel.port(found[2]) if found else None
        if found and number and (names := _port(kernel, found[1])):
            new = f"{number ^ (1 << number.bit_length() - 1):#04x}"
            out.append(_made(kernel, "register-byte-other", row, found.span(2), new,
                             "something of the chip stays off", names,
                             of_card(kernel, names[1], "set-up")))
    return spread(out, 3)
