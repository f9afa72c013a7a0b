"""The instruction soak: its sums are those of the naive twin, and it tells a wrong one."""
from __future__ import annotations

from collections import Counter
from fractions import Fraction
from pathlib import Path

import naive_z80_soak as soak
import pytest

from emu.backplane.description import load
from emu.files.image import load_image
from emu.machine.machine import Machine
from emu.run.session import Session

ELF = load_image(soak.SELFTEST / "soak.elf")
PROGRAM = (soak.SELFTEST / "soak.bin").read_bytes()
ORIGIN = 0x100  # of the flat file
ROW = 8  # bytes of a chapter: start 4, sum 4
PASSES = 200


def at(name: str) -> int:
    """Give where a symbol's bytes stand in the flat file."""
    symbol = ELF.symbols.find(name)
    assert symbol is not None
    return symbol.value - ORIGIN


def rows(program: bytes) -> list[tuple[int, int]]:
    """Give the chapters: start and sum."""
    words = [int.from_bytes(program[k:k + 4], "little")
             for k in range(at("chapters"), at("chapters") + soak.CHAPTERS * ROW, 4)]
    return list(zip(words[::2], words[1::2], strict=True))


def booted(folder: Path, program: bytes, until: str) -> list[str]:
    """Run a changed soak up to a text; the lines of the console."""
    (folder / "soak.bin").write_bytes(program)
    path = folder / "soak.toml"
    path.write_text(f'extends = "{soak.SELFTEST / "soak.toml"}"\n[slot.memory]\n'
                    'ram-load.program = "soak.bin@0x100"\n')
    session = Session(Machine(load(path)), until, Fraction(20))
    session.run()
    assert session.reached
    return bytes(session.console.channels["sio.a"].text).decode().splitlines()


def with_passes(program: bytes, count: int) -> bytes:
    """Give the program with another number of passes: the LD HL,nn that starts them."""
    load_passes = b"\x21" + PASSES.to_bytes(2, "little") + b"\x22"
    assert program.count(load_passes) == 1
    return program.replace(load_passes, b"\x21" + count.to_bytes(2, "little") + b"\x22")


@pytest.fixture(scope="module")
def seen() -> tuple[list[tuple[int, int]], Counter[bytes]]:
    """Run every chapter on the twin: starts and sums, and the opcodes run in the blocks."""
    opcodes: Counter[bytes] = Counter()

    def count(code: bytes) -> None:
        first = code[:1]
        if first[0] in (0xDD, 0xFD):
            opcodes[first + (code[1:2] if code[1] != 0xCB else b"\xCB" + code[3:])] += 1
        else:
            opcodes[code[:2] if first[0] in (0xCB, 0xED) else first] += 1

    twin = soak.Twin(ELF)
    starts = [soak.start_of(k) for k in range(soak.CHAPTERS)]
    return [(start, twin.chapter(start, count)) for start in starts], opcodes


def test_the_sums_are_those_of_the_naive_twin(
        seen: tuple[list[tuple[int, int]], Counter[bytes]]) -> None:
    """The twin is held by the published vectors; it makes the blocks anew from the maps."""
    assert rows(PROGRAM) == seen[0]
    assert len({total for _, total in seen[0]}) == soak.CHAPTERS


def test_every_opcode_of_the_maps_is_run(
        seen: tuple[list[tuple[int, int]], Counter[bytes]]) -> None:
    blocks = soak.Blocks(ELF)
    base, extended = (
        [bytes([k]) for k, letter in enumerate(blocks.letters(name)) if letter != "-"]
        for name in ("base_map", "ed_map"))
    every = [bytes([k]) for k in range(256)]
    wanted = {*base, *(b"\xED" + x for x in extended), *(b"\xCB" + x for x in every)}
    for index in (b"\xDD", b"\xFD"):
        wanted |= {index + x for x in base} | {index + b"\xCB" + x for x in every}
    assert sorted(x.hex() for x in wanted - set(seen[1])) == []
    assert len(wanted) > 1400


def test_a_pass_ends_with_every_sum_as_computed(tmp_path: Path) -> None:
    lines = booted(tmp_path, with_passes(PROGRAM, 1), "Program ended.")
    assert lines == ["Instruction soak", ".", "Soak done, 0000h sums differ", "", "Program ended."]


def test_a_sum_that_differs_is_told(tmp_path: Path) -> None:
    program = bytearray(with_passes(PROGRAM, 1))
    program[at("chapters") + 5 * ROW + 4] ^= 1
    start, total = rows(PROGRAM)[5]
    lines = booted(tmp_path, bytes(program), "Program ended.")
    assert lines[2] == f"chapter {start:08X} came to {total:08X} instead of {total ^ 1:08X}"
    assert lines[4] == "Soak done, 0001h sums differ"


def test_the_whole_of_it_is_as_long_as_said() -> None:
    """Its file says some 1e10 T-states; a pass is measured, all passes are the same."""
    machine = Machine(load(soak.SELFTEST / "soak.toml"))
    session = Session(machine, "..", Fraction(20))
    session.run()
    assert session.reached
    assert 0.9e10 < int(machine.m.t) / 2 * PASSES < 1.1e10
