"""The exerciser's own work: its CRCs are those of the naive twin's states, by zlib."""
from __future__ import annotations

import random
import zlib
from fractions import Fraction
from pathlib import Path

import naive_z80
from naive_z80_cases import background

from emu.backplane.description import load
from emu.files.image import load_image
from emu.machine.machine import Machine
from emu.run.session import Session

SELFTEST = Path(__file__).parent.parent / "roms" / "selftest"
ELF = load_image(SELFTEST / "exerciser.elf")
PROGRAM = (SELFTEST / "exerciser.bin").read_bytes()
CASE = 20  # bytes: instruction 4, word, IY, IX, HL, DE, BC, AF, SP
BITS = 6  # of each mask that are left
PAIRS = ("iy", "ix", "hl", "de", "bc", "af", "sp")


def at(name: str) -> int:
    """Give a symbol's address."""
    symbol = ELF.symbols.find(name)
    assert symbol is not None
    return symbol.value


def group_places() -> list[int]:
    """Give where the groups stand in the flat file: name's address, first case, mask."""
    place, found = at("groups") - 0x100, []
    while PROGRAM[place:place + 2] != b"\0\0":
        found.append(place)
        place += 2 + 2 * CASE
    return found


def with_fewer_bits(place: int, dice: random.Random) -> bytes:
    """Give a group's mask with no more than BITS of its bits."""
    mask = PROGRAM[place + 2 + CASE:place + 2 + 2 * CASE]
    bits = [(k, b) for k in range(CASE) for b in range(8) if mask[k] >> b & 1]
    fewer = bytearray(CASE)
    for k, bit in dice.sample(bits, min(BITS, len(bits))):
        fewer[k] |= 1 << bit
    return bytes(fewer)


def cases(first: bytes, mask: bytes) -> list[bytes]:
    """Count through the masked bits, the lowest of the first byte first."""
    number, bits = int.from_bytes(first, "little"), int.from_bytes(mask, "little")
    found = []
    while True:
        found.append(number.to_bytes(CASE, "little"))
        counted = (number | ~bits) + 1 & bits
        number = number & ~bits | counted
        if counted == 0:
            return found


def state_after(case: bytes) -> bytes:
    """Run one case on the naive twin; the 16 bytes that the exerciser adds to its CRC."""
    words = [int.from_bytes(case[k:k + 2], "little") for k in range(4, CASE, 2)]
    memory = {at("iut") + k: byte for k, byte in enumerate(case[:4])}
    memory.update({at("word") + k: byte for k, byte in enumerate(case[4:6])})
    state = {**background(), "pc": at("iut"), "q": 0,
             "wz": at("state") + 15}  # MEMPTR of ld sp,(state + 14) in front of the case
    for name, value in zip(PAIRS, words[1:], strict=True):
        if name in ("ix", "iy", "sp"):
            state[name] = value
        else:
            state[name[0]], state[name[1]] = divmod(value, 256)
    while state["pc"] < at("iut") + 4:
        got = naive_z80.run_one({**state, "ram": [[a, b] for a, b in memory.items()]})["final"]
        memory.update(dict(got["ram"]))
        state = got
    out = [memory[at("word")] | memory[at("word") + 1] << 8]
    for name in PAIRS:
        out.append(state[name] if name in ("ix", "iy", "sp")
                   else state[name[0]] << 8 | state[name[1]])
    return b"".join(word.to_bytes(2, "little") for word in out)


def booted(file: Path, limit: int, until: str = "Program ended.") -> list[str]:
    session = Session(Machine(load(file)), until, Fraction(limit))
    session.run()
    assert session.reached
    return bytes(session.console.channels["sio.a"].text).decode().splitlines()


def test_the_crcs_are_those_of_the_naive_twin(tmp_path: Path) -> None:
    """CRC-32: ISO 3309, by zlib; states: the twin, which the published vectors hold."""
    dice = random.Random(4)
    flat, expected = bytearray(PROGRAM), []
    for place in group_places():
        mask = with_fewer_bits(place, dice)
        flat[place + 2 + CASE:place + 2 + 2 * CASE] = mask
        states = [state_after(case) for case in cases(PROGRAM[place + 2:place + 2 + CASE], mask)]
        expected.append(f"{zlib.crc32(b''.join(states)):08X}")
    (tmp_path / "few.bin").write_bytes(flat)
    path = tmp_path / "few.toml"
    path.write_text(f'extends = "{SELFTEST / "exerciser.toml"}"\n[slot.memory]\n'
                    'ram-load.program = "few.bin@0x100"\n')
    lines = booted(path, 100)
    assert [line.split()[-1] for line in lines[:len(expected)]] == expected
    assert lines[len(expected):] == ["", "Program ended."]
    assert len(expected) == 16


def test_the_whole_of_it_is_as_long_as_said() -> None:
    """The masks of the committed program make some ten million cases."""
    bits = [sum(byte.bit_count() for byte in PROGRAM[p + 2 + CASE:p + 2 + 2 * CASE])
            for p in group_places()]
    assert 9_000_000 < sum(1 << count for count in bits) < 11_000_000
