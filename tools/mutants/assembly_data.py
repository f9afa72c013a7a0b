"""Operators for tables, copies, tests and ports in assembly, also inside C."""
from __future__ import annotations

import re
from collections.abc import Iterable

from mutants.kernel import Kernel
from mutants.labels import of_card
from mutants.lines import Line
from mutants.model import SOURCE, Edit, Mutant, Registry
from mutants.places import around, instructions, interrupting, made, replace, spread

REGISTRY = Registry(SOURCE, 2)
WORD_OPS = (".word", ".dw", "dw", ".2byte", ".hword", "defw")
ALIGNS = (".balign", ".align", ".p2align")
CONDITIONS = {"z": "nz", "nz": "z", "c": "nc", "nc": "c"}
STORE = re.compile(r"^\(\s*([A-Za-z_]\w*)[^)]*\)$")


def _port(kernel: Kernel, line: Line) -> int | None:
    """Give the port of an IN A,(n) or OUT (n),A."""
    place = line.operands[1 if line.op == "in" else 0] if len(line.operands) > 1 else ""
    return kernel.port(place) if place.startswith("(") and place.lower() != "(c)" else None


def _behind_port(kernel: Kernel, port: int | None) -> tuple[str, ...]:
    """Name a port and the slot behind it."""
    if port is None:
        return ()
    slot = kernel.ports.get(port)
    return (f"{port:#04x}", *([slot] if slot else []))


def _set_up(kernel: Kernel, line: Line) -> tuple[str, ...]:
    """Give what answers when the chip behind an OUT is not set up right."""
    return of_card(kernel, kernel.ports[_port(kernel, line) or 0], "set-up")


@REGISTRY.add("set-up-missing")
def set_up(kernel: Kernel) -> list[Mutant]:
    """A byte that a chip needs at the start is never written."""
    lines = [line for line in instructions(kernel, "out") if _port(kernel, line) in kernel.ports]
    out = (made(kernel, "set-up-missing", line, [replace(kernel, line, "")],
                "the chip takes the next byte for another one, or stays off",
                _behind_port(kernel, _port(kernel, line)), (), _set_up(kernel, line))
           for line in lines)
    return spread(out, 4)


@REGISTRY.add("poll-turned-round")
def poll_turned(kernel: Kernel) -> list[Mutant]:
    """A polling loop waits for the other level of a status bit."""
    return spread(_polls(kernel, "poll-turned-round"))


def _polls(kernel: Kernel, name: str) -> Iterable[Mutant]:
    for line in kernel.lines:
        condition = line.operands[0].lower() if line.op in ("jr", "jp") and line.operands else ""
        if condition not in CONDITIONS or len(line.operands) != 2:
            continue
        reads = [other for other in around(kernel, line, 3, 0) if other.op == "in"]
        if reads:
            new = f"{line.op} {CONDITIONS[condition]},{line.operands[1]}"
            yield made(kernel, name, line, [replace(kernel, line, new)],
                       "the wait ends when it should go on, and goes on when it should end",
                       _behind_port(kernel, _port(kernel, reads[-1])))


@REGISTRY.add("wrong-status-bit")
def status_bit(kernel: Kernel) -> list[Mutant]:
    """A test of a status register looks at the neighbouring bit."""
    out = []
    for line in kernel.lines:
        reads = [other for other in around(kernel, line, 2, 0) if other.op == "in"]
        new = _other_bit(kernel, line) if reads else None
        if new:
            out.append(made(kernel, "wrong-status-bit", line, [replace(kernel, line, new)],
                            "the wait hangs on another condition of the chip",
                            _behind_port(kernel, _port(kernel, reads[-1]))))
    return spread(out)


def _other_bit(kernel: Kernel, line: Line) -> str | None:
    mark = "#" if "#" in line.args else ""
    if line.op == "bit" and line.args.lower().endswith("a"):
        number = kernel.port(line.operands[0])
        return None if number is None else f"bit {mark}{(number + 1) % 8},a"
    if line.op == "and" and line.operands:
        number = kernel.port(line.operands[-1])
        if number and 0 < number < 256 and number & (number - 1) == 0:
            return f"and {mark}{number << 1 if number < 128 else 1:#04x}"
    return None


@REGISTRY.add("clear-or-copy-missing")
def copy_missing(kernel: Kernel) -> list[Mutant]:
    """LDIR is left out: memory is not cleared, or data are not copied."""
    return spread(made(kernel, "clear-or-copy-missing", line, [replace(kernel, line, "")],
                       "the program goes by what RAM held at power-on",
                       _symbols(around(kernel, line, 4, 0)))
                  for line in instructions(kernel, "ldir"))


def _symbols(lines: Iterable[Line]) -> list[str]:
    return [word for line in lines for word in re.findall(r"[A-Za-z_]\w{2,}", line.args)]


@REGISTRY.add("copy-too-long")
def copy_long(kernel: Kernel) -> list[Mutant]:
    """A copy or clear runs 300 bytes too far."""
    out = []
    for line in instructions(kernel, "ldir"):
        counts = [other for other in around(kernel, line, 4, 0)
                  if other.op == "ld" and other.operands[:1] == ["bc"]]
        if counts:
            new = f"ld bc,{counts[-1].operands[1]} + 300"
            out.append(made(kernel, "copy-too-long", counts[-1],
                            [replace(kernel, counts[-1], new)],
                            "what stands behind is overwritten",
                            _symbols(around(kernel, line, 4, 0))))
    return spread(out)


@REGISTRY.add("pointer-unset")
def pointer(kernel: Kernel) -> list[Mutant]:
    """A variable that a store should set at the start is never set."""
    out = []
    for line in kernel.lines:
        found = STORE.match(line.operands[0]) if line.op == "ld" and line.operands else None
        if found:
            out.append(made(kernel, "pointer-unset", line, [replace(kernel, line, "")],
                            "the variable keeps what it held", [found[1]]))
    return spread(out, 3)


@REGISTRY.add("table-unaligned")
def unaligned(kernel: Kernel) -> list[Mutant]:
    """The alignment of a table is left out, and a byte stands before it."""
    out = []
    for op in ALIGNS:
        for line in instructions(kernel, op):
            behind = [other.label for other in kernel.lines
                      if other.file == line.file and other.number > line.number and other.label]
            out.append(made(kernel, "table-unaligned", line,
                            [replace(kernel, line, ".byte 0" if not kernel.in_c else ".db 0")],
                            "the table does not begin where the code counts on", behind[:1],
                            ("I", "vector")))
    return spread(out)


@REGISTRY.add("table-exchanged")
def exchanged(kernel: Kernel) -> list[Mutant]:
    """Two neighbours of a table of pointers are exchanged."""
    rows = [line for line in kernel.lines if line.op in WORD_OPS]
    out = []
    for first, second in zip(rows, rows[1:], strict=False):
        near = second.file == first.file and second.number - first.number <= 2
        one = first.operands[-1:]
        two = second.operands[:1]
        if near and one != two and first.operands and second.operands \
                and re.match(r"[A-Za-z_]", one[0]) and re.match(r"[A-Za-z_]", two[0]):
            edits = [replace(kernel, first, f"{first.op} " + ", ".join(first.operands[:-1] + two)),
                     replace(kernel, second,
                             f"{second.op} " + ", ".join(one + second.operands[1:]))]
            out.append(made(kernel, "table-exchanged", first, edits,
                            "each of the two is called in the other's place", [*one, *two],
                            interrupting(kernel)))
    return spread(out, 3)


@REGISTRY.add("table-shifted")
def shifted(kernel: Kernel) -> list[Mutant]:
    """A row of a table of pointers is left out: all behind it move up."""
    rows = [line for line in kernel.lines if line.op in WORD_OPS and len(line.operands) == 1
            and re.match(r"[A-Za-z_]", line.operands[0])]
    return spread(made(kernel, "table-shifted", line, [replace(kernel, line, "")],
                       "every entry behind this one is called in another's place",
                       [line.operands[0]], interrupting(kernel)) for line in rows)


@REGISTRY.add("port-constant-wrong")
def port_wrong(kernel: Kernel) -> list[Mutant]:
    """The program has another port number than the card's jumpers."""
    return spread(_constants(kernel, "port-constant-wrong", _free(kernel)), 3)


def _free(kernel: Kernel) -> int:
    return next(port for port in range(0x0B, 0x100, 0x10)
                if all(port + n not in kernel.ports for n in range(4)))


def _constants(kernel: Kernel, name: str, port: int) -> Iterable[Mutant]:
    for constant, value in kernel.equates.items():
        if value not in kernel.ports:
            continue
        for file, text in kernel.texts.items():
            pattern = (rf"(\.equ\s+{constant}\s*,\s*|\.set\s+{constant}\s*,\s*|"
                       rf"\b{constant}\s*==?\s*#?|__at\s*\(?\s*)(0x[0-9A-Fa-f]+|\d+)"
                       rf"(?=\s*(?:;|/|$|\)?\s+{constant}\b))")
            if found := re.search(pattern, text, re.M):
                if not constant.isidentifier() or kernel.port(found[2]) != value:
                    continue
                slot = kernel.ports[value]
                yield Mutant(kernel.name, name, f"{file}:{constant}", SOURCE,
                             (f"{port:#04x}", f"{value:#04x}", slot, constant),
                             codes=("wrong-base", *of_card(kernel, slot, "absent")),
                             why=f"the program speaks to {port:02X}h, the card is at {value:02X}h",
                             edits=(Edit(file, found.start(2), found.end(2), f"{port:#04x}"),))


@REGISTRY.add("control-bit-turned")
def control_bit(kernel: Kernel) -> list[Mutant]:
    """A chip's control byte has its lowest bit turned over."""
    out = []
    for line in instructions(kernel, "out"):
        port = _port(kernel, line)
        loads = [other for other in around(kernel, line, 1, 0)
                 if other.op == "ld" and other.operands[:1] == ["a"]]
        number = kernel.port(loads[0].operands[1].lstrip("#")) if loads else None
        if port in kernel.ports and number is not None and loads[0].operands[1][:1] != "(":
            mark = "#" if kernel.in_c else ""
            new = f"ld a,{mark}{number ^ 1:#04x}"
            out.append(made(kernel, "control-bit-turned", loads[0],
                            [replace(kernel, loads[0], new)],
                            "the chip is set up another way", _behind_port(kernel, port), (),
                            _set_up(kernel, line)))
    return spread(out)


@REGISTRY.add("enable-bit-missing")
def enable_bit(kernel: Kernel) -> list[Mutant]:
    """The highest bit that is set in a chip's control byte is left out."""
    out = []
    for line in instructions(kernel, "out"):
        port = _port(kernel, line)
        loads = [other for other in around(kernel, line, 1, 0)
                 if other.op == "ld" and other.operands[:1] == ["a"]]
        number = kernel.port(loads[0].operands[1].lstrip("#")) if loads else None
        if port in kernel.ports and number and loads[0].operands[1][:1] != "(":
            mark = "#" if kernel.in_c else ""
            new = f"ld a,{mark}{number ^ (1 << number.bit_length() - 1):#04x}"
            out.append(made(kernel, "enable-bit-missing", loads[0],
                            [replace(kernel, loads[0], new)],
                            "something of the chip stays off", _behind_port(kernel, port), (),
                            _set_up(kernel, line)))
    return spread(out)
