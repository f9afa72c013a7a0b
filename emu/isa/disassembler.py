"""Read one Z80 instruction: its text, where it goes on, what memory and ports it touches.

The instruction set stands in tables of rows ``bit pattern | text | flow | accesses``
(first match wins), one table a prefix, after the opcode charts of UM0080. Letters in a
pattern are fields:

    d s   8-bit register, code 6 being memory through HL (IX+d, IY+d after a prefix)
    p k   register pair with SP, with AF
    c     condition (two bits of it in JR)
    o t   arithmetic operation, rotation
    b y   bit number, restart number
    -     any value

``{x}`` in a text is HL or the index register, ``{m}`` memory through it, ``{n} {w}`` a
byte or word, ``{a}`` an address, ``{e}`` a relative target. An access is ``r=``, ``w=``
or ``rw=`` with a place; a register field as place counts when it is memory.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

BASE = """
00000000 | nop
00001000 | ex af,af'
00010000 | djnz {e} | branch
00011000 | jr {e} | jump
001cc000 | jr {c},{e} | branch
00pp0001 | ld {p},{w}
00pp1001 | add {x},{p}
00000010 | ld (bc),a | next | w=bc
00001010 | ld a,(bc) | next | r=bc
00010010 | ld (de),a | next | w=de
00011010 | ld a,(de) | next | r=de
00100010 | ld ({a}),{x} | next | w=word
00101010 | ld {x},({a}) | next | r=word
00110010 | ld ({a}),a | next | w=byte
00111010 | ld a,({a}) | next | r=byte
00pp0011 | inc {p}
00pp1011 | dec {p}
00ddd100 | inc {d} | next | rw=d
00ddd101 | dec {d} | next | rw=d
00ddd110 | ld {d},{n} | next | w=d
00000111 | rlca
00001111 | rrca
00010111 | rla
00011111 | rra
00100111 | daa
00101111 | cpl
00110111 | scf
00111111 | ccf
01110110 | halt | halt
01dddsss | ld {d},{s} | next | r=s w=d
10ooosss | {o}{s} | next | r=s
11ccc000 | ret {c} | branch-return | r=pop
11kk0001 | pop {k} | next | r=pop
11001001 | ret | return | r=pop
11011001 | exx
11101001 | jp ({x}) | indirect
11111001 | ld sp,{x}
11ccc010 | jp {c},{a} | branch
11000011 | jp {a} | jump
11010011 | out ({n}),a | next | w=port
11011011 | in a,({n}) | next | r=port
11100011 | ex (sp),{x} | next | r=pop w=pop
11101011 | ex de,hl
11110011 | di
11111011 | ei
11ccc100 | call {c},{a} | branch-call | w=push
11kk0101 | push {k} | next | w=push
11001101 | call {a} | call | w=push
11ooo110 | {o}{n}
11yyy111 | rst {y} | restart | w=push
11--1101 | prefix
"""
ROTATE = """
00tttsss | {t} {s} | next | rw=s
01bbbsss | bit {b},{s} | next | r=s
10bbbsss | res {b},{s} | next | rw=s
11bbbsss | set {b},{s} | next | rw=s
"""
ROTATE_INDEXED = """
00ttt110 | {t} {m} | next | rw=m
00tttsss | {t} {m},{s} | next | rw=m
01bbb--- | bit {b},{m} | next | r=m
10bbb110 | res {b},{m} | next | rw=m
10bbbsss | res {b},{m},{s} | next | rw=m
11bbb110 | set {b},{m} | next | rw=m
11bbbsss | set {b},{m},{s} | next | rw=m
"""
# A text behind "~" has no documented code: an assembler gives another for it, hence a note.
EXTENDED = """
01110000 | in f,(c) | next | r=portc
01110001 | out (c),0 | next | w=portc
01ddd000 | in {d},(c) | next | r=portc
01ddd001 | out (c),{d} | next | w=portc
01pp0010 | sbc hl,{p}
01pp1010 | adc hl,{p}
01pp0011 | ld ({a}),{p} | next | w=word
01pp1011 | ld {p},({a}) | next | r=word
01000100 | neg
01---100 | ~neg
01000101 | retn | return | r=pop
01001101 | reti | return | r=pop
01---101 | ~retn | return | r=pop
01000110 | im 0
01010110 | im 1
01011110 | im 2
01-0-110 | ~im 0
01-10110 | ~im 1
01-11110 | ~im 2
01000111 | ld i,a
01001111 | ld r,a
01010111 | ld a,i
01011111 | ld a,r
01100111 | rrd | next | rw=m
01101111 | rld | next | rw=m
10100000 | ldi | next | r=m w=de
10101000 | ldd | next | r=m w=de
10110000 | ldir | next | r=m w=de
10111000 | lddr | next | r=m w=de
10100001 | cpi | next | r=m
10101001 | cpd | next | r=m
10110001 | cpir | next | r=m
10111001 | cpdr | next | r=m
10100010 | ini | next | r=portc w=m
10101010 | ind | next | r=portc w=m
10110010 | inir | next | r=portc w=m
10111010 | indr | next | r=portc w=m
10100011 | outi | next | r=m w=portc
10101011 | outd | next | r=m w=portc
10110011 | otir | next | r=m w=portc
10111011 | otdr | next | r=m w=portc
-------- | ~nop
"""
REGISTERS = ("b", "c", "d", "e", "h", "l", "{m}", "a")
PAIRS = ("bc", "de", "{x}", "sp")
STACK_PAIRS = ("bc", "de", "{x}", "af")
CONDITIONS = ("nz", "z", "nc", "c", "po", "pe", "p", "m")
ARITHMETIC = ("add a,", "adc a,", "sub ", "sbc a,", "and ", "xor ", "or ", "cp ")
ROTATIONS = ("rlc", "rrc", "rl", "rr", "sla", "sra", "sli", "srl")
FIELDS = {
    "d": REGISTERS, "s": REGISTERS, "p": PAIRS, "k": STACK_PAIRS, "c": CONDITIONS,
    "o": ARITHMETIC, "t": ROTATIONS, "b": "01234567", "y": ("{y}",) * 8,
}  # fmt: skip


class Operand(NamedTuple):
    """Memory or a port that an instruction touches.

    ``space`` is "mem" or "port"; ``base`` an address, or the register holding it ("BC",
    "DE", "HL", "SP", "IX", "IY"; "C" for a port); ``displacement`` is added to it;
    ``size`` counts bytes. A push writes at SP-2, a pop reads at SP.
    """

    space: str
    base: int | str
    displacement: int = 0
    size: int = 1


@dataclass(frozen=True, slots=True)
class Instruction:
    """One decoded instruction.

    ``flow`` is "next", "jump", "branch", "call", "branch-call", "return",
    "branch-return", "restart", "halt" or "indirect"; ``target`` the address a jump,
    branch, call or restart names. ``note`` says what undocumented bytes do.
    """

    address: int
    data: bytes
    text: str
    flow: str = "next"
    target: int | None = None
    reads: tuple[Operand, ...] = ()
    writes: tuple[Operand, ...] = ()
    note: str = ""

    @property
    def length(self) -> int:
        """Number of bytes."""
        return len(self.data)


class Row(NamedTuple):
    """A row of a table: opcodes where ``opcode & mask == value``."""

    mask: int
    value: int
    fields: dict[str, tuple[int, int]]
    text: str
    flow: str
    accesses: tuple[tuple[str, str], ...]


class Form(NamedTuple):
    """A row with its fields filled in: only operand bytes are still open."""

    text: str
    flow: str
    reads: tuple[str, ...]
    writes: tuple[str, ...]


class Bytes:
    """Take the bytes of an instruction one by one, wrapping at the top of memory.

    ``standing``: PC does not count while they are read.
    """

    def __init__(self, fetch: Callable[[int], int], address: int, standing: bool) -> None:
        self.fetch, self.address, self.taken = fetch, address, bytearray()
        self.standing = standing

    def take(self) -> int:
        self.taken.append(self.fetch((self.address + len(self.taken)) & 0xFFFF))
        return self.taken[-1]

    def signed(self) -> int:
        return (self.take() ^ 0x80) - 0x80

    def word(self) -> int:
        return self.take() | self.take() << 8


def disassemble(
    fetch: Callable[[int], int],
    address: int,
    name: Callable[[int], str | None] | None = None,
    standing: bool = False,
) -> Instruction:
    """Decode the instruction at ``address``.

    ``fetch`` gives the byte at a 16-bit address. ``name``, when given, gives the symbol
    to write in place of an address (jump targets and memory operands), or None. A prefix
    that changes nothing in what follows is an instruction of its own, one byte long.
    ``standing``: it came with an acknowledge in mode 0, and PC stands at ``address``.
    """
    source = Bytes(fetch, address & 0xFFFF, standing)
    opcode = source.take()
    if opcode in (0xDD, 0xFD):
        return _indexed(source, "ix" if opcode == 0xDD else "iy", name)
    if opcode == 0xCB:
        return _fill(source, _form("rotate", source.take(), "hl"), "hl", name)
    if opcode == 0xED:
        return _fill(source, _form("extended", source.take(), "hl"), "hl", name)
    return _fill(source, _form("base", opcode, "hl"), "hl", name)


def _indexed(source: Bytes, index: str, name: Callable[[int], str | None] | None) -> Instruction:
    opcode = source.take()
    if opcode == 0xCB:
        displacement = source.signed()
        form = _form("rotate-indexed", source.take(), index)
        return _fill(source, form, index, name, displacement)
    form = _form("base", opcode, index)
    if "{m}" not in form.text and form == _form("base", opcode, "hl"):
        prefix = bytes(source.taken[:1])
        return Instruction(source.address, prefix, f"db {prefix[0]:#04x}", note="stray prefix")
    return _fill(source, form, index, name)


def _fill(
    source: Bytes,
    form: Form,
    index: str,
    name: Callable[[int], str | None] | None,
    displacement: int | None = None,
) -> Instruction:
    """Take the operand bytes that the form still asks for and put them in."""
    if displacement is None:
        displacement = source.signed() if index != "hl" and "{m}" in form.text else 0
    values: dict[str, str] = {"m": "(hl)" if index == "hl" else f"({index}{displacement:+d})"}
    number: int | None = None
    if "{n}" in form.text:
        number = source.take()
        values["n"] = f"{number:#04x}"
    elif "{w}" in form.text:
        values["w"] = f"{source.word():#06x}"
    elif "{a}" in form.text or "{e}" in form.text:
        number = source.word() if "{a}" in form.text else _relative(source)
        values["a"] = values["e"] = (name and name(number)) or f"{number:#06x}"
    elif "{y}" in form.text:
        number = source.taken[-1] & 0x38
        values["y"] = (name and name(number)) or f"{number:#04x}"
    text, note = form.text.format_map(values), ""
    if text.startswith("~"):
        text, note = text[1:], "undocumented code"
    target = number if form.flow in TARGETED else None
    reads, writes = (
        tuple(_operand(place, index, displacement, number) for place in places)
        for places in (form.reads, form.writes)
    )
    data = bytes(source.taken)
    return Instruction(source.address, data, text, form.flow, target, reads, writes, note)


TARGETED = frozenset(("jump", "branch", "call", "branch-call", "restart"))


def _relative(source: Bytes) -> int:
    displacement = source.signed()
    return (source.address + len(source.taken) * (not source.standing) + displacement) & 0xFFFF


def _operand(place: str, index: str, displacement: int, number: int | None) -> Operand:
    if place == "m":
        return Operand("mem", index.upper(), displacement)
    if place in ("byte", "word", "port"):
        assert number is not None, "a direct access has its number in the text"
        space = "port" if place == "port" else "mem"
        return Operand(space, number, size=2 if place == "word" else 1)
    return {
        "bc": Operand("mem", "BC"),
        "de": Operand("mem", "DE"),
        "pop": Operand("mem", "SP", 0, 2),
        "push": Operand("mem", "SP", -2, 2),
        "portc": Operand("port", "C"),
    }[place]


@cache
def _form(table: str, opcode: int, index: str) -> Form:
    """Find an opcode's row and fill in its fields."""
    row = next(row for row in TABLES[table] if opcode & row.mask == row.value)
    codes = {
        letter: opcode >> shift & (1 << width) - 1 for letter, (shift, width) in row.fields.items()
    }
    names = {letter: FIELDS[letter][code] for letter, code in codes.items()}
    if index != "hl" and "{m}" not in (row.text.format_map(Open(names)) + "".join(names.values())):
        # H and L become halves of the index register only where memory is not addressed by it
        names = {key: {"h": f"{index}h", "l": f"{index}l"}.get(v, v) for key, v in names.items()}
    text = row.text.format_map(Open(names)).replace("{x}", index)
    places = [(kind, names.get(place, place)) for kind, place in row.accesses]
    memory = [(kind, place.strip("{}")) for kind, place in places if place not in PLAIN]
    reads = tuple(place for kind, place in memory if "r" in kind)
    return Form(text, row.flow, reads, tuple(place for kind, place in memory if "w" in kind))


class Open(dict[str, str]):
    """Fields for formatting that leave unknown ones as they stand."""

    def __missing__(self, key: str) -> str:
        return f"{{{key}}}"


PLAIN = frozenset("bcdehla") | {f"{index}{half}" for index in ("ix", "iy") for half in "hl"}


def _rows(table: str) -> list[Row]:
    return [_row(*line.split(" | ")) for line in table.strip().splitlines()]


def _row(pattern: str, text: str, flow: str = "next", accesses: str = "") -> Row:
    mask = int("".join("1" if char in "01" else "0" for char in pattern), 2)
    value = int("".join(char if char in "01" else "0" for char in pattern), 2)
    fields = {
        letter: (7 - pattern.rindex(letter), pattern.count(letter))
        for letter in set(pattern) - set("01-")
    }
    pairs = tuple((kind, place) for kind, place in (item.split("=") for item in accesses.split()))
    return Row(mask, value, fields, text.strip(), flow, pairs)


TABLES = {
    "base": _rows(BASE),
    "rotate": _rows(ROTATE),
    "rotate-indexed": _rows(ROTATE_INDEXED),
    "extended": _rows(EXTENDED),
}
