"""The stepper: its words, expressions, an editor's messages, bytes at a TCP port."""

from __future__ import annotations

import random
import threading

from emu.backplane.description import load
from emu.errors import InputError, one_line, printable
from emu.machine.machine import Machine
from emu.stepper import vocabulary
from emu.stepper.stepper import Stepper
from emu.stepper.word_reader import WORDS, Leave, WordReader
from fuzzing.case import Case, Family, Told
from fuzzing.machines import folder
from fuzzing.mutate import NUMBERS, text

assert vocabulary.MODULES  # importing them makes the words
ATOMS = (
    "a",
    "hl",
    "pc",
    "sp",
    "f",
    "carry",
    "im",
    "r",
    "value",
    "old",
    "address",
    "t",
    "ticks",
    "main",
    "0",
    "1",
    "31",
    "0x1F",
    "$1f",
    "1Fh",
    "'c'",
    "'\\x'",
    "'\\n'",
    "'é'",
    "''",
    "'",
    "`pc`",
    "``",
    "FFh",
    "9" * 30,
    "0x" + "F" * 300,
    "word",
    "not",
    "and",
    "or",
    "-1",
    "[0]",
    "word[sp]",
    "[[[hl]]]",
)
OPERATORS = (
    "+",
    "-",
    "*",
    "/",
    "%",
    "&",
    "|",
    "^",
    "<<",
    ">>",
    "=",
    "==",
    "!=",
    "<",
    "<=",
    ">",
    ">=",
    "and",
    "or",
    "not",
    "~",
    ",",
    ";",
    "..",
    "(",
    ")",
    "[",
    "]",
)
PLACES = (
    "8000h",
    "0",
    "FFFFh",
    "10000h",
    "main",
    "shell_main",
    "ticks",
    "sched.s:40",
    "sched.s:99999",
    "nothing.s:1",
    "ticks for 4",
    "0 for 65536",
    "0 for 99999999999",
    "8000h..80FFh",
    "FFFFh..0",
    "sio.a-data",
    "memory",
    "-1",
    "1 for 0",
    "a b",
    "",
    "pc",
    "word[sp]",
)
TIMES = (
    "1 t",
    "100 t",
    "1 ms",
    "0.5 ms",
    "0 t",
    "2 us",
    "1.5 t",
    "0.001 s",
    "1e3 s",
    "-1 ms",
    "1",
    "9" * 5000 + " s",
    "99999999999999999999 t",
)
TARGETS = (
    "hl",
    "a",
    "carry",
    "pc",
    "sp",
    "im",
    "iff1",
    "nothing",
    "[8000h]",
    "word[8000h]",
    "[0]",
    "[FFFFh]",
    "port 20h",
    "port 99999",
    "jumper memory.waits-mem",
    "jumper sio.interrupt",
    "jumper x.y",
    "jumper cpu.wait-m1",
    "jumper",
    "word",
    "t",
    "value",
)
VALUES = (
    "1",
    "0",
    "-1",
    "255",
    "256",
    "65536",
    "8000h",
    "1, 2, 3",
    "true",
    '"x"',
    "[1]",
    "1.5",
    "2031-01-01",
    "a + 1",
    "1 <<",
    "nan",
    "{ a = 1 }",
    str(NUMBERS[-1]),
    "9" * 4500,
)
PATIENCE = 1.0  # seconds of a word until somebody presses Ctrl-C
STOPS = (
    "read",
    "write",
    "change",
    "access",
    "in",
    "out",
    "port",
    "acknowledge",
    "request",
    "when",
    "stack",
    "rom-write",
    "conflict",
    "unwritten",
    "text",
    "",
)


def expression(r: random.Random, depth: int = 3) -> str:
    """Write an expression, most often one that can be read."""
    if not depth or r.random() < 0.3:
        return r.choice(ATOMS) if r.random() < 0.93 else text(r)
    kind = r.randrange(6)
    inner = expression(r, depth - 1)
    if kind == 0:
        return f"({inner})"
    if kind == 1:
        return f"{r.choice(('[', 'word['))}{inner}]"
    if kind == 2:
        return f"{r.choice(('-', '~', 'not '))}{inner}"
    return f"{inner} {r.choice(OPERATORS)} {expression(r, depth - 1)}"


def deep(r: random.Random) -> str:
    """Write an expression that goes very deep, or on and on."""
    n = r.choice((60, 70, 500, 5000))
    return r.choice(
        (
            "(" * n + "1" + ")" * n,
            "not " * n + "1",
            "-" * n + "1",
            "[" * n,
            "~" * n + "a",
            "1" + "+1" * n,
            "1" + "<<31" * n,
            "a and " * n + "1",
            "'" * n,
            "`" * n,
            "word[" * n + "1" + "]" * n,
            "1" + "*9999" * n,
        )
    )


def stop(r: random.Random) -> str:
    """Write a stop."""
    out = f"{r.choice(STOPS)} {r.choice(PLACES)}".strip()
    if r.random() < 0.3:
        out = r.choice(
            (
                f"when {expression(r)}",
                f'text "{text(r)}"',
                "request ctc",
                "port 20h..10h",
                f"acknowledge {expression(r)}",
                "text",
                'text "',
            )
        )
    if r.random() < 0.3:
        out += f" if {expression(r)}"
    if r.random() < 0.2:
        out += f" after {r.choice(NUMBERS)}"
    return out + " once" if r.random() < 0.2 else out


def line(r: random.Random) -> str:
    """Write a line of words."""
    first = r.choice([w for w in WORDS if w not in ("leave", "explain")])
    some = {
        "look": lambda: r.choice(
            (
                "",
                "registers",
                "code",
                "stack 9",
                "memory 8000h for 64",
                "pages",
                f"memory {r.choice(PLACES)}",
                f"code {r.choice(PLACES)}",
                "chain",
                f"cycles {r.choice(NUMBERS)}",
                f"stack {r.choice(NUMBERS)}",
                "cards sio",
                "stops",
                "inputs",
                f"code for {r.choice(NUMBERS)}",
                f"memory {expression(r)} for {r.choice(NUMBERS)}",
            )
        ),
        "tell": lambda: deep(r) if r.random() < 0.1 else expression(r),
        "go": lambda: r.choice(TIMES) if r.random() < 0.95 else "1 ms ",
        "until": lambda: r.choice(TIMES) if r.random() < 0.7 else stop(r),
        "set": lambda: f"{r.choice(TARGETS)} = {r.choice(VALUES)}",
        "press": lambda: r.choice(
            (
                '"ls\\r"',
                '"',
                '"\\x"',
                '"é"',
                '""',
                '"a" on sio.b',
                "int",
                "nmi",
                "reset",
                "int for 20 t",
                f"int for {r.choice(TIMES)}",
                "int for x",
                '"' + "a" * 3000 + '"',
                '"x" on nothing',
            )
        ),
        "insert": lambda: r.choice(
            (
                "floppy.drive-a rom.bin",
                "floppy.drive-a",
                "x y",
                "floppy.drive-a /dev/zero",
                "floppy.drive-a .",
                "sio.a x",
            )
        ),
        "eject": lambda: r.choice(("floppy.drive-a", "", "x", "floppy.drive-b")),
        "back": lambda: r.choice(
            (
                "",
                "3",
                "over",
                "out",
                "stop",
                "to stop",
                "to start",
                "to found",
                "cycle",
                "tick",
                f"to {r.choice(TIMES)}",
                r.choice(TIMES),
                "9" * 9,
            )
        ),
        "symbols": lambda: r.choice(
            ("rom.bin", "", "/dev/zero", "x in memory", "rom.bin in nothing")
        ),
        "do": lambda: r.choice(("", "x.y", "sio.x", "floppy.drive-a", "memory.erase")),
    }
    if first in ("stop-at", "watch"):
        rest = stop(r)
    elif first in ("into", "over", "line"):
        rest = str(r.choice(("", 1, 2, 20, 0, -1, "x", "0x2", "1h")))
    elif first in ("who", "when"):
        rest = (
            r.choice(PLACES)
            if r.random() < 0.7
            else f"{r.choice(('in', 'out'))} {r.choice(PLACES)}"
        )
    elif first in ("forget", "sleep", "wake"):
        rest = str(r.choice((1, 2, "all", "", -1, "x", 99)))
    elif first == "input":
        rest = r.choice(("20h", "sio.a-data", "x", "", "99999", "-1", "50h"))
    else:
        rest = some[first]() if first in some else r.choice(("", "", "x", "expressions", "stops"))
    out = f"{first} {rest}"
    return out[: r.randrange(len(out) + 1)] + text(r) if r.random() < 0.04 else out


def sit(name: str = "floppy.toml") -> Stepper:
    """Sit at a machine at power-on."""
    return Stepper(Machine(load(folder() / name)), 64 << 20)


def do_words(case: Case) -> Told:
    """Say words to the stepper; what runs on is ended as by Ctrl-C."""
    stepper = sit()
    reader = WordReader(stepper)
    out, refused = [], []
    for one in case.words:
        clock = threading.Timer(PATIENCE, stepper.interrupt)
        clock.start()
        try:
            out += reader.do(one)
        except InputError as error:
            refused.append(str(error))
        except Leave:
            break
        finally:
            clock.cancel()
    lines = [f"preburn: {one_line(text)}" for text in refused]
    status = 2 if refused and len(refused) == len(case.words) else 0
    return Told(status, printable("\n".join(out)), "\n".join(lines[:1]))


def make_words(r: random.Random) -> Case:
    """Make a row of words."""
    return Case({"rom.bin": b"\0"}, ("go 1 ms", *(line(r) for _ in range(r.choice((1, 2, 4, 8))))))


def make_expressions(r: random.Random) -> Case:
    """Make expressions, in the places where they may stand."""
    out = []
    for _ in range(6):
        one = deep(r) if r.random() < 0.1 else expression(r, 4)
        out.append(
            r.choice(
                (
                    f"tell {one}",
                    f"tell {one}",
                    f"watch when {one}",
                    f"stop-at main if {one}",
                    f"look memory {one} for 4",
                    f"set a = {one}",
                    f"until when {one} once",
                )
            )
        )
        if "until" in out[-1]:
            out[-1] = f"watch when {one}"
    return Case({}, (*out, "go 20 t", "look stops"))


FAMILIES = (
    Family(
        "words",
        "rows of the stepper's words, with hostile numbers, places and texts",
        make_words,
        do_words,
        words_shrink=True,
        batch=100,
    ),
    Family(
        "expressions",
        "expressions of the stepper: wrong, deep, without end",
        make_expressions,
        do_words,
        words_shrink=True,
        batch=100,
    ),
)
