"""Operators for interrupts, stacks and registers in assembly, also inside C."""
from __future__ import annotations

from collections.abc import Iterable

from mutants.kernel import Kernel
from mutants.lines import Line
from mutants.model import SOURCE, Edit, Mutant, Registry
from mutants.places import (
    around,
    behind,
    handlers,
    instructions,
    interrupting,
    made,
    replace,
    spread,
)

REGISTRY = Registry(SOURCE, 2)
PAIRS = ("af", "bc", "de", "hl")
INDEX = ("ix", "iy")


def _each(kernel: Kernel, name: str, lines: Iterable[Line], new: str, why: str,
          hints: tuple[str, ...] = (), more: tuple[str, ...] = ()) -> list[Mutant]:
    return spread(made(kernel, name, line, [replace(kernel, line, new)], why, more, hints)
                  for line in lines)


@REGISTRY.add("ret-for-reti")
def ret_for_reti(kernel: Kernel) -> list[Mutant]:
    """A handler ends with RET."""
    return _each(kernel, "ret-for-reti", instructions(kernel, "reti"), "ret",
                 "the chip never sees ED 4D: its service stays open", tuple(kernel.chain))


@REGISTRY.add("handler-ei-missing")
def handler_ei(kernel: Kernel) -> list[Mutant]:
    """A handler returns without EI."""
    lines = (line for handler in handlers(kernel) for line in handler if line.op == "ei")
    return _each(kernel, "handler-ei-missing", lines, "",
                 "the first interrupt of this kind is the last of all", interrupting(kernel))


@REGISTRY.add("ei-missing")
def ei(kernel: Kernel) -> list[Mutant]:
    """EI is missing on a path of the foreground."""
    inside = {id(line) for handler in handlers(kernel) for line in handler}
    lines = (line for line in instructions(kernel, "ei") if id(line) not in inside)
    return _each(kernel, "ei-missing", lines, "",
                 "interrupts stay off behind this place", interrupting(kernel))


@REGISTRY.add("di-for-ei")
def di_for_ei(kernel: Kernel) -> list[Mutant]:
    """DI stands where EI was meant."""
    return _each(kernel, "di-for-ei", instructions(kernel, "ei"), "di",
                 "interrupts are turned off where they should come back", interrupting(kernel))


@REGISTRY.add("ei-too-early")
def ei_early(kernel: Kernel) -> list[Mutant]:
    """A handler allows interrupts before it has cleared the request."""
    firsts = (next((line for line in handler if line.label == line.routine), None)
              for handler in handlers(kernel))
    return spread(made(kernel, "ei-too-early", line, [behind(line, "ei")],
                       "the handler is interrupted by its own request",
                       hints=interrupting(kernel))
                  for line in firsts if line)


@REGISTRY.add("im-missing")
def im_missing(kernel: Kernel) -> list[Mutant]:
    """IM is left out: the CPU stays in mode 0."""
    return _each(kernel, "im-missing", instructions(kernel, "im", lambda row: row.args != "0"), "",
                 "interrupts execute what floats on the bus", interrupting(kernel),
                 ("mode", "IM", "0038h"))


@REGISTRY.add("im-other")
def im_other(kernel: Kernel) -> list[Mutant]:
    """IM selects another mode."""
    return spread(made(kernel, "im-other", line,
                       [replace(kernel, line, "im 1" if line.args == "2" else "im 2")],
                       "interrupts are led elsewhere", ("mode", "IM", "0038h"),
                       interrupting(kernel))
                  for line in instructions(kernel, "im"))


def _to_i(line: Line) -> bool:
    return line.op == "ld" and [o.lower() for o in line.operands] == ["i", "a"]


@REGISTRY.add("i-unset")
def i_unset(kernel: Kernel) -> list[Mutant]:
    """LD I,A is left out."""
    return _each(kernel, "i-unset", filter(_to_i, kernel.lines), "",
                 "pointers are read from page 0", interrupting(kernel), ("I", "vector"))


@REGISTRY.add("i-off-by-one")
def i_other(kernel: Kernel) -> list[Mutant]:
    """I holds the page behind the table."""
    return _each(kernel, "i-off-by-one", filter(_to_i, kernel.lines), "inc a\n        ld i,a",
                 "pointers are read from the next page", interrupting(kernel), ("I", "vector"))


def _unsaved(kernel: Kernel, name: str, pairs: tuple[str, ...]) -> list[Mutant]:
    out = []
    for handler in handlers(kernel):
        for pair in pairs:
            pushes = [row for row in handler if row.op == "push" and row.args.lower() == pair]
            pops = [row for row in handler if row.op == "pop" and row.args.lower() == pair]
            if len(pushes) == len(pops) == 1:
                edits = [replace(kernel, pushes[0], ""), replace(kernel, pops[0], "")]
                out.append(made(kernel, name, pushes[0], edits,
                                f"the handler spoils {pair.upper()} of whatever it interrupts",
                                (), [pair]))
    return spread(out)


@REGISTRY.add("register-not-saved")
def register(kernel: Kernel) -> list[Mutant]:
    """A handler does not save a register pair."""
    return _unsaved(kernel, "register-not-saved", PAIRS)


@REGISTRY.add("index-not-saved")
def index(kernel: Kernel) -> list[Mutant]:
    """A handler does not save IX or IY."""
    return _unsaved(kernel, "index-not-saved", INDEX)


@REGISTRY.add("pop-missing")
def pop(kernel: Kernel) -> list[Mutant]:
    """A POP is left out: the return goes to what was pushed."""
    return _each(kernel, "pop-missing", instructions(kernel, "pop"), "",
                 "the stack is two bytes off at the return")


@REGISTRY.add("push-missing")
def push(kernel: Kernel) -> list[Mutant]:
    """A PUSH is left out: its POP takes the return address."""
    return _each(kernel, "push-missing", instructions(kernel, "push"), "",
                 "the stack is two bytes off at the return")


@REGISTRY.add("exchange-missing")
def exchange(kernel: Kernel) -> list[Mutant]:
    """One EXX or EX AF,AF' of a handler is left out."""
    lines = (line for handler in handlers(kernel) for line in handler
             if line.op == "exx" or (line.op == "ex" and line.args.lower().startswith("af")))
    return _each(kernel, "exchange-missing", lines, "",
                 "the foreground goes on with the handler's registers")


@REGISTRY.add("sp-unset")
def sp_unset(kernel: Kernel) -> list[Mutant]:
    """The stack pointer is never set at the start."""
    return _each(kernel, "sp-unset", _first_sp(kernel), "",
                 "the stack is where SP happened to be at power-on", (), ("SP", "stack"))


@REGISTRY.add("sp-in-rom")
def sp_in_rom(kernel: Kernel) -> list[Mutant]:
    """The stack pointer stands in ROM."""
    return _each(kernel, "sp-in-rom", _first_sp(kernel), _sp(kernel, 0x0400),
                 "calls return to what the ROM holds there", (), ("SP", "stack", "03FEh"))


@REGISTRY.add("sp-in-nowhere")
def sp_nowhere(kernel: Kernel) -> list[Mutant]:
    """The stack pointer stands a page below the RAM."""
    slot = kernel.slots[kernel.memory]
    if slot["card"] != "plain-memory" or slot.get("ram-start", 0x8000) < 0x400:
        return []
    top = slot.get("ram-start", 0x8000) - 0x100
    return _each(kernel, "sp-in-nowhere", _first_sp(kernel), _sp(kernel, top),
                 "nothing keeps what is pushed there", (), ("SP", "stack", f"{top - 2:#06x}"))


def _first_sp(kernel: Kernel) -> list[Line]:
    lines = instructions(kernel, "ld", lambda row: row.operands[:1] == ["sp"] and
                         row.operands[1:2] not in (["hl"], ["ix"], ["iy"]) and
                         not row.args.endswith(")"))
    return list(lines)[:1]


def _sp(kernel: Kernel, address: int) -> str:
    return f"ld sp,{'#' if kernel.in_c else ''}{address:#06x}"


@REGISTRY.add("halt-masked")
def halt(kernel: Kernel) -> list[Mutant]:
    """HALT comes with interrupts off."""
    lines = instructions(kernel, "halt", lambda row: not any(
        other.op == "di" for other in around(kernel, row, 2, 0)))
    return spread(made(kernel, "halt-masked", line,
                       [Edit(line.file, line.start, line.start, "        di\n")],
                       "the CPU sleeps for ever", ("HALT",)) for line in lines
                  if not line.label)


@REGISTRY.add("ret-missing")
def ret(kernel: Kernel) -> list[Mutant]:
    """A RET is left out: the routine runs on into the next one."""
    return _each(kernel, "ret-missing", instructions(kernel, "ret", lambda row: not row.args), "",
                 "the CPU runs on into what stands behind", (), ())


@REGISTRY.add("di-left")
def di_left(kernel: Kernel) -> list[Mutant]:
    """A conditional return leaves between DI and EI."""
    def guarded(line: Line) -> bool:
        ops = [other.op for other in around(kernel, line, 8, 0)]
        return "di" in ops and "ei" not in ops[len(ops) - ops[::-1].index("di"):]

    lines = instructions(kernel, "ei", guarded)
    return spread(made(kernel, "di-left", line,
                       [replace(kernel, line, "ret nz\n        ei")],
                       "on one path interrupts stay off", hints=interrupting(kernel))
                  for line in lines)
