"""What an instruction reads and what it changes, for slicing a run backwards.

An `Effect` says from what each changed place comes.  Places: the registers by name
("A", "B" ... "IXH", "SP", and with an apostrophe the alternate set), the carry flag "FC",
the other flags "FZ" (one place: they are set together), "M0" and "M1" for the first and
second byte that the instruction reads from memory, "W0" and "W1" for those it writes, "P"
for the byte read from a port.  The instruction set is that of UM0080; of the undocumented
ones those on IXH ... IYL and the result copies of DDCB are in.
"""
from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

R8 = ("B", "C", "D", "E", "H", "L", "M", "A")
R16 = (("B", "C"), ("D", "E"), ("H", "L"), ("SP",))
CONDITIONS = ("nz", "z", "nc", "c", "po", "pe", "p", "m")
EXCHANGES = {0x08: ("A", "FC", "FZ"), 0xD9: ("B", "C", "D", "E", "H", "L")}
Move = tuple[str, tuple[str, ...]]


@dataclass(frozen=True)
class Effect:
    """What one instruction does."""

    length: int  # bytes
    moves: tuple[Move, ...] = ()  # place changed, places it comes from
    pointer: tuple[str, ...] = ()  # what the address of its memory or port access comes from
    asks: tuple[str, ...] = ()  # what decides where it goes: a condition's flag, B of DJNZ
    condition: str = ""  # "nz" ..., "djnz", "repeat" (LDIR and the like)
    flow: str = ""  # "jump", "call", "return", "indirect", "halt"


def _moves(targets: tuple[str, ...], sources: tuple[str, ...]) -> tuple[Move, ...]:
    return tuple((target, sources) for target in targets)


def _swap(names: tuple[str, ...]) -> tuple[Move, ...]:
    return tuple(move for n in names for move in ((n, (n + "'",)), (n + "'", (n,))))


class _Index:
    """The register names under a DD or FD prefix, and where (HL) then points."""

    def __init__(self, name: str) -> None:
        self.plain = name == ""
        self.hl = ("H", "L") if self.plain else (name + "H", name + "L")
        self.displaced = 0 if self.plain else 1

    def r8(self, number: int, beside_memory: bool) -> str:
        name = R8[number]
        if name in ("H", "L") and not self.plain and not beside_memory:
            return self.hl[0 if name == "H" else 1]
        return name

    def r16(self, number: int) -> tuple[str, ...]:
        return self.hl if number == 2 else R16[number]


def _alu(operation: int, source: tuple[str, ...], same: bool) -> tuple[Move, ...]:
    """ADD ADC SUB SBC AND XOR OR CP, in the order of the opcode's bits 5-3."""
    if same and operation in (2, 5):  # SUB A, XOR A: zero whatever A was
        return _moves(("A", "FC", "FZ"), ())
    took = ("A", *source) if operation not in (1, 3) else ("A", "FC", *source)
    if operation == 7:
        return _moves(("FC", "FZ"), took)
    moves = _moves(("A", "FZ"), took)
    return (*moves, ("FC", () if operation in (4, 5, 6) else took))


def _quarter(code: int, x: _Index) -> Effect:
    """Opcodes 00h to 3Fh."""
    y, z, pair = code >> 3, code & 7, x.r16((code >> 4) & 3)
    if z == 0:
        return _relative(code)
    if z == 1:
        if code & 8:
            took = (*x.hl, *pair)
            return Effect(1, (*_moves(x.hl, took), ("FC", took)))
        return Effect(3, _moves(pair, ()))
    if z == 2:
        return _load_indirect(code, x)
    if z == 3:
        return Effect(1, _moves(pair, pair))
    name = x.r8(y, False)
    if z in (4, 5):
        if name == "M":
            return Effect(1 + x.displaced, (("W0", ("M0",)), ("FZ", ("M0",))), x.hl)
        return Effect(1, ((name, (name,)), ("FZ", (name,))))
    if z == 6:
        if name == "M":
            return Effect(2 + x.displaced, (("W0", ()),), x.hl)
        return Effect(2, ((name, ()),))
    return Effect(1, {
        0: (("A", ("A",)), ("FC", ("A",))), 1: (("A", ("A",)), ("FC", ("A",))),
        2: _moves(("A", "FC"), ("A", "FC")), 3: _moves(("A", "FC"), ("A", "FC")),
        4: _moves(("A", "FC", "FZ"), ("A", "FC", "FZ")), 5: (("A", ("A",)),),
        6: (("FC", ()),), 7: (("FC", ("FC",)),)}[y])


def _relative(code: int) -> Effect:
    if code == 0x10:
        return Effect(2, (("B", ("B",)),), (), ("B",), "djnz", "jump")
    if code == 0x18:
        return Effect(2, flow="jump")
    if code >= 0x20:
        name = CONDITIONS[(code >> 3) & 3]
        return Effect(2, (), (), _flag(name), name, "jump")
    return Effect(1, _swap(EXCHANGES[8]) if code == 8 else ())


def _flag(condition: str) -> tuple[str, ...]:
    return ("FC",) if condition in ("nc", "c") else ("FZ",)


def _load_indirect(code: int, x: _Index) -> Effect:
    if code < 0x20:
        pointer = R16[code >> 4]
        return Effect(1, (("A", ("M0",)),) if code & 8 else (("W0", ("A",)),), pointer)
    high, low = x.hl
    return Effect(3, {0x22: (("W0", (low,)), ("W1", (high,))),
                      0x2A: ((low, ("M0",)), (high, ("M1",))),
                      0x32: (("W0", ("A",)),), 0x3A: (("A", ("M0",)),)}[code])


def _eighth(code: int, x: _Index) -> Effect:
    """Opcodes C0h to FFh."""
    y, z = (code >> 3) & 7, code & 7
    name = CONDITIONS[y]
    if z == 0:
        return Effect(1, (), ("SP",), _flag(name), name, "return")
    if z == 2:
        return Effect(3, (), (), _flag(name), name, "jump")
    if z == 4:
        return Effect(3, (("W0", ()), ("W1", ())), ("SP",), _flag(name), name, "call")
    if z == 6:
        return Effect(2, _alu(y, (), False))
    if z == 7:
        return Effect(1, (("W0", ()), ("W1", ())), ("SP",), flow="call")
    pair = ("A", "F") if code & 0x30 == 0x30 else x.r16((code >> 4) & 3)
    if z == 1 and not code & 8:
        if pair == ("A", "F"):
            return Effect(1, (("A", ("M1",)), ("FC", ("M0",)), ("FZ", ("M0",))), ("SP",))
        return Effect(1, ((pair[0], ("M1",)), (pair[1], ("M0",))), ("SP",))
    if z == 5 and not code & 8:
        if pair == ("A", "F"):
            return Effect(1, (("W0", ("A",)), ("W1", ("FC", "FZ"))), ("SP",))
        return Effect(1, (("W0", (pair[0],)), ("W1", (pair[1],))), ("SP",))
    return _special(code, x)


def _special(code: int, x: _Index) -> Effect:
    high, low = x.hl
    return {
        0xC9: Effect(1, (), ("SP",), flow="return"), 0xD9: Effect(1, _swap(EXCHANGES[0xD9])),
        0xE9: Effect(1, (), (), x.hl, "", "indirect"), 0xF9: Effect(1, (("SP", x.hl),)),
        0xC3: Effect(3, flow="jump"),
        0xCD: Effect(3, (("W0", ()), ("W1", ())), ("SP",), flow="call"),
        0xD3: Effect(2, (("O", ("A",)),)), 0xDB: Effect(2, (("A", ("P",)),)),
        0xE3: Effect(1, (("W0", (high,)), ("W1", (low,)), (low, ("M0",)), (high, ("M1",))),
                     ("SP",)),
        0xEB: Effect(1, (("D", ("H",)), ("E", ("L",)), ("H", ("D",)), ("L", ("E",))))
    }.get(code, Effect(1))


def _main(code: int, x: _Index) -> Effect:
    if code < 0x40:
        return _quarter(code, x)
    if code >= 0xC0:
        return _eighth(code, x)
    y, z = (code >> 3) & 7, code & 7
    memory = 6 in (y, z) if code < 0x80 else z == 6
    length, pointer = (1 + x.displaced, x.hl) if memory else (1, ())
    if code == 0x76:
        return Effect(1, flow="halt")
    source = x.r8(z, memory).replace("M", "M0")
    if code < 0x80:
        return Effect(length, ((x.r8(y, memory).replace("M", "W0"), (source,)),), pointer)
    return Effect(length, _alu(y, (source,), source == "A"), pointer)


def _cb(code: int, x: _Index, length: int) -> Effect:
    group, bit, z = code >> 6, (code >> 3) & 7, code & 7
    memory = z == 6 or not x.plain
    source = "M0" if memory else R8[z]
    pointer = x.hl if memory else ()
    if group == 1:
        return Effect(length, (("FZ", (source,)),), pointer)
    target = "W0" if memory else R8[z]
    took = (source, "FC") if group == 0 and bit in (2, 3) else (source,)
    moves: tuple[Move, ...] = ((target, took),)
    if not x.plain and z != 6:
        moves += ((R8[z], took),)
    if group == 0:
        moves += (("FC", took), ("FZ", took))
    return Effect(length, moves, pointer)


def _ed_block(code: int) -> Effect:
    """LDI, CPI, INI, OUTI and their downward and repeated forms."""
    kind, repeats = code & 3, code & 0x10
    condition = "repeat" if repeats else ""
    step = tuple(_moves(("H", "L"), ("H", "L")))
    if kind < 2:
        step += tuple(_moves(("B", "C"), ("B", "C")))
    if kind == 0:
        moves = (("W0", ("M0",)), *step, *_moves(("D", "E"), ("D", "E")), ("FZ", ("B", "C")))
        return Effect(2, moves, ("H", "L", "D", "E"), ("B", "C") if repeats else (), condition)
    if kind == 1:
        moves = (*step, ("FZ", ("A", "M0")))
        asks = ("B", "C", "A", "M0") if repeats else ()
        return Effect(2, moves, ("H", "L"), asks, condition)
    byte = "P" if kind == 2 else "M0"  # the carry is undocumented: it comes from a sum with it
    moves = (("W0", ("P",)) if kind == 2 else ("O", ("M0",)), *step, ("B", ("B",)),
             ("FZ", ("B",)), ("FC", (byte, "C", "L")))
    return Effect(2, moves, ("H", "L", "C"), ("B",) if repeats else (), condition)


def _ed(code: int) -> Effect:
    y, z = (code >> 3) & 7, code & 7
    if code >= 0xA0 and code < 0xC0 and z < 4:
        return _ed_block(code)
    if not 0x40 <= code < 0x80:
        return Effect(2)
    pair = R16[y >> 1]
    if z == 0:
        name = R8[y]
        return Effect(2, (("FZ", ("P",)),) + (((name, ("P",)),) if y != 6 else ()), ("B", "C"))
    if z == 1:
        return Effect(2, (("O", (R8[y],) if y != 6 else ()),), ("B", "C"))
    if z == 2:
        took = ("H", "L", "FC", *pair)
        return Effect(2, _moves(("H", "L", "FC", "FZ"), took))
    if z == 3:
        if y & 1:
            moves = tuple(("SP" if pair == ("SP",) else pair[1 - k], (f"M{k}",)) for k in (0, 1))
        else:
            moves = tuple((f"W{k}", ("SP",) if pair == ("SP",) else (pair[1 - k],))
                          for k in (0, 1))
        return Effect(4, moves)
    if z == 4:
        return Effect(2, _moves(("A", "FC", "FZ"), ("A",)))
    if z == 5:
        return Effect(2, (), ("SP",), flow="return")
    if z == 7 and y in (4, 5):  # RRD, RLD
        return Effect(2, _moves(("A", "W0", "FZ"), ("A", "M0")), ("H", "L"))
    return Effect(2, {0: (("I", ("A",)),), 1: (("R", ("A",)),), 2: _moves(("A", "FZ"), ("I",)),
                      3: _moves(("A", "FZ"), ("R",))}.get(y, ()) if z == 7 else ())


@lru_cache(maxsize=4096)
def effect(prefix: int, second: int, code: int) -> Effect:
    """Give the effect of an opcode.

    ``prefix``: 0, CBh, DDh, EDh or FDh; ``second`` CBh for DDCB and FDCB, else 0.
    """
    if prefix == 0xCB:
        return _cb(code, _Index(""), 2)
    if prefix == 0xED:
        return _ed(code)
    if prefix in (0xDD, 0xFD):
        x = _Index("IX" if prefix == 0xDD else "IY")
        if second == 0xCB:
            return _cb(code, x, 4)
        plain = _main(code, x)
        return Effect(plain.length + 1, plain.moves, plain.pointer, plain.asks, plain.condition,
                      plain.flow)
    return _main(code, _Index(""))
