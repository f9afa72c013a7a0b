"""Measure what an explanation takes at most: random and adversarial images, all cards fitted.

    python tools/explaining.py --count 40
    python tools/explaining.py --resume explaining.json --minutes 30     # towards --count 1000
    python tools/explaining.py --resume explaining.json --minutes 0 --write
    python tools/explaining.py --lay 17 FOLDER        # the machine of a number, to try

A number makes an image: noise, noise of telling opcodes, a handler's set-up before noise, a
program of the zoo with spoilt bytes, or a program that is meant to keep an explanation busy
(threaded code, counters of many bytes, printers, floods of interrupts, recursion, moves of all
memory).  It runs for a fifth of a second with half of all cards in the odd numbers and the other
half in the even ones, and is then explained.  Counted is what all copies and second runs take,
in instructions, T-states and machines (`emu.machine.effort`): the same on a busy computer.
"""
from __future__ import annotations

import argparse
import json
import os
import random
import statistics
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path
from typing import Any

import marked

from emu.backplane.card_catalogue import cards
from emu.backplane.description import load
from emu.diagnosis import explain
from emu.machine.effort import metered
from emu.machine.machine import Machine
from emu.run.session import Session

ROMS = Path(__file__).resolve().parent.parent / "roms"
LIMIT = Fraction(1, 5)  # emulated seconds
ROM_SIZE, RAM = 0x8000, 0x9000
# loops, calls, interrupts, ports and prefixes, more often than noise has them
TELLING = bytes.fromhex("18202810 3A3221 FB76 DBD3 C9CD EDDDFDCB B7FE FF 56 5E 4D 45 31 F3 E9 E3")
MORE = {"timer-82c54": "interrupt = true\n",
        "sd-card": "blank = 1\n", "compactflash": "blank = 1\n", "ppi-ide": "blank = 1\n",
        "fdc-765": 'drive-a = { size = "3.5", blank = true, geometry = "720K" }\n'}
START = "31 00F0"  # ld sp,0F000h
# programs that change state for long, or touch much, between two looks
BUSY = (
    # threaded code: a list of routines, each ends with the jump to the next
    START + "21 4000 5E 23 56 23 E5 EB E9 00000000 00000000" + "00" * 41
    + "5000 5800 6000 5000 5800 6000 6800 0000",
    START + "21 0090 34 20FA 23 7C FE F0 20F4 18EE",  # a counter of 24,000 bytes
    START + "21 0000 11 0000 01 0000 EDB0 18F3",  # moves all memory onto itself
    START + "21 0080 11 0180 01 FF6F 36AA EDB0 18F1",  # fills all RAM again and again
    START + "CD 0300 18FB",  # recursion without end
    START + "21 ACE1 CB3C CB1D 3004 7C EEB4 67 18F4",  # a shift register of period 65,535
    START + "0E00 ED78 0C 20FB 18F7",  # reads every port
    START + "0E00 ED79 3C 0C 20FA 18F6",  # writes every port
    START + "3E90 ED47 ED5E FB 76 18FC",  # mode 2, its table in RAM that nobody filled
    START + "ED56 FB 76 18FD",  # mode 1 into the program's own noise
    START + "DBE0 E640 28FA DBE1 18F6",  # polls
    START + "01 FFFF 0B 78 B1 20FB 3A 0090 3C 32 0090 18F0",  # delays, and a count
    START + "ED4D",  # returns into what the stack holds
    START + "21 0090 E5 DDE1 DD3400 DD7E00 D300 18F6",
)


def image(chance: random.Random) -> bytes:
    """Make an image."""
    length = chance.choice((64, 512, 4096, ROM_SIZE))
    kind = chance.randrange(6)
    if kind == 0:
        return chance.randbytes(length)
    if kind == 1:
        return bytes(chance.choice((*TELLING, chance.randrange(256))) for _ in range(length))
    if kind == 2:  # ld sp; ld a,n; ld i,a; im 2; ei
        head = bytes((0x31, 0, 0xF0, 0x3E, chance.randrange(256), 0xED, 0x47, 0xED, 0x5E, 0xFB))
        return head + chance.randbytes(length)
    if kind == 3:
        programs = sorted((ROMS / "broken").rglob("*.bin"))
        return spoilt(chance, chance.choice(programs).read_bytes()[:ROM_SIZE], 6)
    program = bytes.fromhex(chance.choice(BUSY)) + chance.randbytes(chance.choice((0, 40, 4000)))
    return program if kind == 4 else spoilt(chance, program, 3)


def spoilt(chance: random.Random, data: bytes, most: int) -> bytes:
    """Change some bytes."""
    out = bytearray(data)
    for _ in range(chance.randrange(1, most)):
        out[chance.randrange(len(out))] = chance.randrange(256)
    return bytes(out)


def fitted(half: int, patience: int) -> str:
    """Write the slots of half of all cards; the watchdog waits so many milliseconds."""
    names = [name for name, card in sorted(cards().items())
             if name not in ("z80-cpu", "plain-memory", "banked-memory")]
    out = ""
    for place, name in enumerate(names[half::2]):
        base = f"base = {place * 16:#x}\n" if cards()[name].registers else ""
        out += f'[slot.{name}]\ncard = "{name}"\n{base}{MORE.get(name, "")}'
        out += f"timeout = {patience}\n" if name == "watchdog" else ""
    return out


def lay(number: int, seed: int, folder: Path) -> Path:
    """Write the machine of a number into a folder; give its file."""
    chance = random.Random(f"{seed} {number}")
    (folder / "image.bin").write_bytes(image(chance))
    path = folder / "machine.toml"
    path.write_text(
        f'[backplane]\nfloating = "{chance.choice(("pull-ups", "last-byte"))}"\n'
        f'[slot.cpu]\ncard = "z80-cpu"\nclock = "{chance.choice((3, 6.144, 12))} MHz"\n'
        f'[slot.memory]\ncard = "plain-memory"\nimage = "image.bin"\nrom-size = {ROM_SIZE}\n'
        f'ram-start = {ROM_SIZE}\nram-size = {chance.choice((4096, 32768))}\n'
        f"{fitted(number % 2, chance.choice((2, 60, 2000)))}")
    return path


def measure(number: int, seed: int) -> dict[str, Any]:
    """Run and explain the machine of a number."""
    with tempfile.TemporaryDirectory(prefix="preburn-explaining-") as name:
        session = Session(Machine(load(lay(number, seed, Path(name)))), None, LIMIT)
        session.run()
        began = time.process_time()
        with metered(float("inf")) as meter:
            verdict = explain(session)
        return {"number": number, "verdict": verdict.verdict, "cause": verdict.cause,
                "cut": any("ran out of time" in line for line in verdict.evidence),
                "instructions": meter.instructions, "t_states": meter.t_states,
                "logged": meter.logged, "machines": meter.built,
                "work": round(meter.seconds(), 2),
                "processor": round(time.process_time() - began, 2)}


def summary(rows: list[dict[str, Any]]) -> str:
    """Make the table, and a line of what was explained."""
    def row(name: str, key: str, by: float, form: str) -> tuple[str, ...]:
        values = [one[key] / by for one in rows]
        return (name, *(format(value, form) for value in (statistics.median(values), max(values))))

    text = marked.table(("of one explanation", "median", "worst"), [
        row("instructions of all copies and second runs, millions", "instructions", 1e6, ".1f"),
        row("their T-states, millions", "t_states", 1e6, ".0f"),
        row("bus cycles read back, millions", "logged", 1e6, ".1f"),
        row("machines built", "machines", 1, ".0f"),
        row("work as it is counted, seconds", "work", 1, ".1f"),
        row("processor time on the computer at hand, seconds", "processor", 1, ".1f")])
    cut = sum(one["cut"] for one in rows)
    return f"{text}\n{len(rows):,} images; {cut} explanations came to their bound and say so.\n"


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=float("inf"))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--resume", type=Path, help="a file of rows to go on from")
    parser.add_argument("--lay", nargs=2, metavar=("NUMBER", "FOLDER"))
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    if options.lay:
        Path(options.lay[1]).mkdir(parents=True)
        print(lay(int(options.lay[0]), options.seed, Path(options.lay[1])))
        return 0
    rows = json.loads(options.resume.read_text()) if options.resume and options.resume.exists() \
        else []
    end = time.monotonic() + options.minutes * 60
    while len(rows) < options.count and time.monotonic() < end:
        rows.append(measure(len(rows), options.seed))
        if options.resume:
            draft = options.resume.with_suffix(f".{os.getpid()}")
            draft.write_text(json.dumps(rows))
            draft.replace(options.resume)
    print(json.dumps(rows, indent=1) if options.json else summary(rows))
    if options.write:
        marked.put("reliability.md", "explaining", summary(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
