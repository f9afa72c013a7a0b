"""Images of every kind with lying headers, line tables, symbol lists."""

from __future__ import annotations

import random
from functools import cache

from fuzzing.case import Case, Family
from fuzzing.machines import ROM, ROMS, SMALL
from fuzzing.mutate import NUMBERS, encoded, number, spoilt_bytes, spoilt_text, text

ELFS = ("selftest/digits.elf", "selftest/stub.elf", "floppy/makefs-2.elf", "selftest/soak.elf")
NUMBER_WORDS = (
    "0",
    "1",
    "-1",
    "0x10000",
    "4K",
    "16K",
    "1M",
    "99999999999M",
    "0x",
    "1e9",
    "1.5K",
    "16K:",
    "0",
    "8",
    "3",
    "65536",
    "",
)
NAMES = (
    "main",
    "loop",
    "_x",
    "",
    "a" * 400,
    "=cmd",
    "\x1b[2J",
    "A$m$1",
    "C$f.c$12$0$0",
    "G$n$0$0",
    "XG$n$0$0",
    "l__CODE",
    "C$" + "9" * 40,
    "<b>",
    "a,b",
    "0x10",
)
HEX = ("0000", "FFFF", "1234", "00010000", "FFFFFFFF", "0", "123456789", "GG", "-1", "")


@cache
def elf(name: str) -> bytes:
    """Give an ELF file of ours."""
    return (ROMS / name).read_bytes()


def hex_record(r: random.Random, kind: int, address: int, data: bytes) -> str:
    """Write an Intel HEX line, now and then one that lies."""
    length = len(data) if r.random() < 0.93 else r.randrange(256)
    body = bytes([length, address >> 8 & 0xFF, address & 0xFF, kind]) + data
    total = -sum(body) & 0xFF if r.random() < 0.95 else r.randrange(256)
    return ":" + (body + bytes([total])).hex().upper()


def intel_hex(r: random.Random) -> str:
    """Write an Intel HEX file."""
    lines, at = [], r.choice((0, 0, 0x100, 0xFFF8))
    for _ in range(r.randrange(12)):
        kind = r.choice((0, 0, 0, 0, 2, 3, 4, 5, 1, r.randrange(256)))
        size = {2: 2, 4: 2, 3: 4, 5: 4, 1: 0}.get(kind, r.choice((0, 1, 16, 16, 255)))
        lines.append(hex_record(r, kind, at if kind == 0 else 0, r.randbytes(size)))
        at = at + size if r.random() < 0.8 else r.randrange(0x10000)
    if r.random() < 0.85:
        lines.append(":00000001FF")
    return "\n".join(lines) + "\n"


def s_record(r: random.Random) -> str:
    """Write an S-record file."""
    lines = []
    for _ in range(r.randrange(12)):
        kind = r.choice("0111223357895")
        width = {"2": 3, "3": 4, "6": 3, "7": 4, "8": 3}.get(kind, 2)
        body = r.choice((0, 0x100, 0xFFF0, r.randrange(1 << 32))).to_bytes(8, "big")[-width:]
        body += r.randbytes(r.choice((0, 1, 16, 250))) if kind in "0123" else b""
        count = len(body) + 1 if r.random() < 0.93 else r.randrange(256)
        line = bytes([count & 0xFF]) + body
        total = ~sum(line) & 0xFF if r.random() < 0.95 else r.randrange(256)
        lines.append(f"S{kind}{(line + bytes([total])).hex().upper()}")
    return "\n".join([*lines, "S9030000FC"] if r.random() < 0.85 else lines) + "\n"


def commands(r: random.Random, name: str) -> tuple[str, ...]:
    """Give a command that reads an image."""
    size = r.choice(NUMBER_WORDS)
    return r.choice(
        (
            ("image", "info", name),
            ("image", "info", name, "--json", "--strings"),
            ("image", "info", name, "--size", size, "--page", r.choice(NUMBER_WORDS)),
            ("image", "disassemble", name),
            ("image", "disassemble", name, "--json"),
            ("image", "disassemble", name, "--from", text(r).replace("\0", "")),
            (
                "image",
                "disassemble",
                name,
                "--map",
                f"{r.choice(NUMBERS)}={r.choice(NUMBERS)}:{size}",
            ),
            ("image", "diff", name, "rom.bin", "--page", r.choice(NUMBER_WORDS)),
            ("image", "split", name, "--size", size, "-o", "part.bin"),
            (
                "image",
                "pack",
                f"{name}@{r.choice(NUMBERS)}",
                "rom.bin",
                "--size",
                size,
                "-o",
                "out.hex",
            ),
            ("image", "pack", name, "--size", "64K", "-o", "out.bin", "--checksum", size),
            ("check", "m.toml"),
            ("trace", "m.toml", "--limit", "0.0002"),
        )
    )


WRITES = ("out.hex", "out.bin", *(f"part-{k:02}.bin" for k in range(300)))


def machine_with(name: str) -> bytes:
    """Give the small machine with another image."""
    return SMALL.replace("rom.bin", name).encode()


def make_image(r: random.Random) -> Case:
    """Make an image of any kind."""
    kind = r.randrange(4)
    if kind == 0:
        name, data = "x.elf", spoilt_bytes(r, elf(r.choice(ELFS)), 4, 0, r.choice((52, 200, None)))
    elif kind == 1:
        source = intel_hex(r)
        name, data = "x.hex", encoded(r, spoilt_text(r, source) if r.random() < 0.4 else source)
    elif kind == 2:
        source = s_record(r)
        name, data = "x.s19", encoded(r, spoilt_text(r, source) if r.random() < 0.4 else source)
    else:
        name, data = (
            "x.bin",
            r.choice(
                (
                    b"",
                    ROM,
                    r.randbytes(r.randrange(70000)),
                    b"\x5a\x80",
                    b"\x7fELF",
                    ROM * 3000,
                    b"\0" * 70000,
                )
            ),
        )
    if r.random() < 0.1:
        name = r.choice(("x.bin", "x.elf", "x.hex", "x.s19", "x"))
    return Case(
        {name: data, "rom.bin": ROM, "m.toml": machine_with(name)}, commands(r, name), writes=WRITES
    )


def sections(data: bytes) -> list[tuple[int, int]]:
    """Give offset and size of an ELF file's sections, from its header as gABI has it."""
    at, size = int.from_bytes(data[32:36], "little"), int.from_bytes(data[46:48], "little")
    count = int.from_bytes(data[48:50], "little")
    rows = [data[at + k * size : at + (k + 1) * size] for k in range(count)]
    return [
        (int.from_bytes(row[16:20], "little"), int.from_bytes(row[20:24], "little"))
        for row in rows
        if int.from_bytes(row[4:8], "little") not in (0, 8)
    ]


def make_lines(r: random.Random) -> Case:
    """Make an ELF file with broken debug sections, symbols or section headers."""
    data = elf(r.choice(ELFS))
    low, size = r.choice([one for one in sections(data) if one[1]])
    head = int.from_bytes(data[32:36], "little")
    if r.random() < 0.3:
        low, size = head, len(data) - head
    data = spoilt_bytes(r, data, 5, low, low + size)
    return Case(
        {"x.elf": data, "rom.bin": ROM, "m.toml": machine_with("x.elf")},
        commands(r, "x.elf"),
        writes=WRITES,
    )


def symbol_list(r: random.Random) -> tuple[str, str]:
    """Write a symbol list of one of the known forms: name and text."""
    rows = [(r.choice(NAMES), r.choice(HEX)) for _ in range(r.randrange(1, 12))]
    form = r.randrange(6)
    if form == 0:
        return "x.noi", "".join(f"DEF {n} 0x{h}\n" for n, h in rows)
    if form == 1:
        return (
            "x.map",
            "ASxxxx Linker V03\n_CODE  00000000 00000010 =  16. bytes (REL,CON)\n"
            + "".join(f"     {h}  {n}  mod\n" for n, h in rows),
        )
    if form == 2:
        return "x.cdb", "M:mod\n" + "".join(
            f"S:{n}({{2}}DF,SV:S),C,0,0\nL:{n}:{h}\n" for n, h in rows
        )
    if form == 3:
        return "x.sym", "".join(f"{h} T {n}\n" for n, h in rows)
    if form == 4:
        return "x.map", "Linker script and memory map\n" + "".join(
            f"                0x{h}                {n}\n" for n, h in rows
        )
    return "x.sym", "".join(
        r.choice(
            (
                f"{n} = 0x{h}\n",
                f"{n} equ ${h}\n",
                f"{h} {n}\n",
                f"{n} {h}h ; c\n",
                f"{n}: .equ {number(r)}\n",
            )
        )
        for n, h in rows
    )


def make_symbols(r: random.Random) -> Case:
    """Make a symbol list, and a command that reads it."""
    name, source = symbol_list(r)
    source = spoilt_text(r, source, NAMES) if r.random() < 0.5 else source
    listed = SMALL + f'symbols = ["{name}"]\n'
    files = {name: encoded(r, source), "rom.bin": ROM, "m.toml": listed.encode()}
    words = r.choice(
        (
            ("image", "info", "rom.bin", "--symbols", name),
            ("image", "disassemble", "rom.bin", "--symbols", name),
            ("image", "disassemble", "rom.bin", "--symbols", name, "--json"),
            ("image", "diff", "rom.bin", name, "--symbols", name),
            ("trace", "m.toml", "--limit", "0.0002"),
            ("step", "m.toml", "--commands", "-"),
        )
    )
    stream = b"look\nlook code\ntell main\nlook stack\ninto 5\nstop-at loop\nlook stops\n"
    return Case(files, words, stream if words[0] == "step" else b"")


FAMILIES = (
    Family(
        "images",
        "raw binary, Intel HEX, S-record and ELF with lying headers; looked into, "
        "packed, split, compared, run",
        make_image,
    ),
    Family(
        "lines", "ELF files with broken debug sections, symbol tables, section headers", make_lines
    ),
    Family("symbols", "symbol lists of six forms, with hostile names and addresses", make_symbols),
)
