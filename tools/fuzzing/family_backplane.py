"""Backplane files: every jumper of every card with every type, broken TOML, strange references."""

from __future__ import annotations

import random
from functools import cache
from typing import Any

from emu.backplane.declarations import declarations
from emu.backplane.fault_kinds import KINDS
from fuzzing.case import FOLDER, PIPE, Case, Content, Family, Link
from fuzzing.machines import FLOPPY, MACHINE, ROM, SMALL
from fuzzing.mutate import encoded, number, spoilt_text, spoilt_tree, text, value
from fuzzing.toml_text import document

CLOCKS = (
    "6.144 MHz",
    "614.4 kHz",
    "1 Hz",
    "0.1 Hz",
    "1e-7 Hz",
    "1e12 Hz",
    "0 Hz",
    "-4 MHz",
    "1/3 MHz",
    "1e999999999 Hz",
    "99999999999 MHz",
    "cpu",
    "none",
    "6,144 MHz",
    "4MHZ",
)
PATHS = (
    "rom.bin",
    "missing.bin",
    "..",
    ".",
    "",
    "self.toml",
    "ring",
    "pipe",
    "/dev/zero",
    "/dev/stdin",
    "rom.bin\0",
    "a" * 300,
    "x/y/z",
    "empty",
    "rom.bin@0x100",
    "rom.bin@99999",
)
CPU = "z80-cpu"
GENERAL = (
    "base",
    "order",
    "ports",
    "mirrors",
    "decode",
    "waits-io",
    "waits-mem",
    "waits-m1",
    "fitted",
    "symbols",
    "card",
)
WORDS = (
    "card",
    "slot",
    "wire",
    "fault",
    "true",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    "inf",
    "nan",
    "2031-01-01",
    "07:00:00",
    "'''",
    '"""',
    "0x",
    "1_0",
)


@cache
def known() -> dict[str, Any]:
    """Give what all cards declare."""
    return declarations()


def setting(r: random.Random, jumper: dict[str, Any]) -> Any:
    """Give a value for a jumper: what it takes, at an edge, or anything else."""
    if r.random() < 0.35:
        return value(r)
    kind = jumper["kind"]
    if kind == "int":
        return r.choice(
            (
                jumper["low"],
                jumper["high"],
                jumper["low"] - 1,
                jumper["high"] + 1,
                float(jumper["low"]),
                number(r),
                True,
            )
        )
    if kind in ("choice", "list"):
        one = r.choice(jumper["choices"] or [0])
        return [one] * r.randrange(20) if kind == "list" else one
    if kind == "clock":
        return r.choice(CLOCKS)
    if kind in ("file", "medium"):
        return r.choice(PATHS)
    if kind == "files":
        return {"one": r.choice(PATHS), "two": r.choice(PATHS)}
    if kind == "terminal":
        return spoilt_tree(r, {"baud": 38400, "format": "8N1", "flow": "none"})
    if kind == "drive":
        return spoilt_tree(
            r,
            {
                "size": "3.5",
                "blank": True,
                "geometry": {
                    "cylinders": 80,
                    "heads": 2,
                    "sectors": 9,
                    "sector-size": 512,
                    "rate": 250,
                },
            },
        )
    return r.random() < 0.5 if kind == "flag" else text(r)


def general(r: random.Random, key: str, card: dict[str, Any]) -> Any:
    """Give a value for what every card takes."""
    if r.random() < 0.3:
        return value(r)
    registers = card["registers"] or ["data"]
    if key == "order":
        return [r.choice([*registers, "-", text(r)]) for _ in range(r.randrange(20))]
    if key == "ports":
        return {r.choice(registers): number(r) for _ in range(r.randrange(3))}
    if key == "symbols":
        return r.choice((["rom.bin"], "rom.bin", ["missing"], [1], True))
    if key == "card":
        return r.choice([*known(), "./self.toml", "./missing.py", "rom.bin", ""])
    return r.choice((number(r), r.randrange(256), 8, 16, True))


def slot(r: random.Random, name: str, some: tuple[int, ...] = (0, 0, 1, 1, 3)) -> dict[str, Any]:
    """Make a slot's table with a few settings."""
    card = known()[name]
    out: dict[str, Any] = {"card": name}
    if card["registers"]:
        out["base"] = r.choice((0x20, 0x28, 0x30, 0x40, 0x60, 0x70, r.randrange(256)))
    for jumper in r.sample(card["jumpers"], min(len(card["jumpers"]), r.choice(some))):
        out[jumper["name"]] = setting(r, jumper)
    if r.random() < 0.1:
        key = r.choice(GENERAL)
        out[key] = general(r, key, card)
    return out


def fault(r: random.Random) -> dict[str, Any]:
    """Make a fault's table."""
    kind = r.choice(list(KINDS.values()))
    out: dict[str, Any] = {"kind": kind.name}
    for key in kind.keys:
        choices = [*key.choices, key.low, key.high, "memory", "cpu", number(r), value(r)]
        if r.random() < 0.8:
            out[key.name] = r.choice(choices)
    return spoilt_tree(r, out) if r.random() < 0.2 else out


def machine(r: random.Random) -> dict[str, Any]:
    """Make a whole machine of random cards."""
    names = list(known())
    slots = {
        "cpu": slot(r, CPU, (0, 0, 0, 1)),
        "memory": {"card": "plain-memory", "image": "rom.bin", "rom-size": 0x2000},
    }
    for k in range(r.choice((1, 1, 1, 2, 3, 30) if r.random() < 0.3 else (1,))):
        slots[f"s{k}"] = slot(r, r.choice(names))
    tree: dict[str, Any] = {"name": "m", "slot": slots}
    fitted = [(name, known().get(str(table["card"]))) for name, table in slots.items()]
    ends = [
        f"{name}.{line}"
        for name, card in fitted
        if card
        for line in card["outputs"] + card["inputs"]
    ]
    if ends and r.random() < 0.2:
        tree["wire"] = [
            {"from": r.choice(ends), "to": r.choice(ends)} for _ in range(r.choice((1, 2, 40)))
        ]
    if r.random() < 0.2:
        tree["backplane"] = {"chain": r.sample([*slots, "open", "cpu"], r.randrange(len(slots)))}
    if r.random() < 0.2:
        tree["fault"] = [fault(r) for _ in range(r.choice((1, 2, 20)))]
    if r.random() < 0.15:
        tree = spoilt_tree(r, tree)
        tree = tree if isinstance(tree, dict) else {"name": tree}
    return tree


def make(r: random.Random) -> Case:
    """Make a backplane file and a command for it."""
    files: dict[str, Content] = {"rom.bin": ROM, "empty": b"", "ring": Link("ring")}
    if r.random() < 0.1:
        files["pipe"] = PIPE
        files["x"] = FOLDER
    if r.random() < 0.65:
        source = document(machine(r))
    else:
        source = spoilt_text(r, r.choice((MACHINE, FLOPPY, SMALL)), WORDS, 4)
    if r.random() < 0.05:
        base = r.choice(("self.toml", "m.toml", "missing.toml", "ring", ".."))
        source = f'extends = "{base}"\n{source}'
        files["self.toml"] = source.encode("utf-8", "surrogatepass")
    if r.random() < 0.02:
        source = "x = " + "[" * 3000 + "]" * 3000
    files["m.toml"] = encoded(r, source)
    words = r.choice(
        (
            ("check", "m.toml"),
            ("check", "m.toml", "--json"),
            ("trace", "m.toml", "--limit", "0.0003"),
            ("trace", "m.toml", "--limit", "0.0003"),
            ("rates", "m.toml", "--want", "9600"),
            ("rates", "m.toml", "--tick", "100", "--all", "--json"),
            ("step", "m.toml", "--commands", "-"),
        )
    )
    stream = b"look cards\nlook chain\ngo 1000 t\nlook cards\n" if words[0] == "step" else b""
    return Case(files, words, stream)


FAMILY = Family(
    "backplane",
    "backplane files: every jumper with every type, wires, faults, "
    "references, broken TOML; checked, traced, sat at",
    make,
)
