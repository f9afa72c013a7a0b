"""The floppy controller under programs that make no sense: it neither hangs nor loses its record.

Twin: the plain functions and the machine code must agree to the byte after each program.
"""
from __future__ import annotations

import random

import pytest
from fdc_bench import IMAGE, Fdc

COMMANDS = (0x42, 0x03, 0x04, 0x45, 0x46, 0xC6, 0x66, 0x07, 0x08, 0x49, 0x4A, 0x4C, 0x4D, 0x0D,
            0x0F, 0x10, 0x51, 0x59, 0x5D, 0x06, 0x05, 0x13, 0x94, 0x0E, 0x12, 0x8F)
DRIVES = {"drive-b": {"size": "5.25", "geometry": "360K"}, "drive-d": {"medium": "none"}}


def steps(seed: int, count: int) -> list[tuple[str, int, int]]:
    """Make a program: (register or "wait" or "look", value, microseconds before)."""
    source = random.Random(seed)
    out: list[tuple[str, int, int]] = []
    while len(out) < count:
        kind = source.random()
        if kind < 0.25:
            out.append(("data", source.choice(COMMANDS), 40))
            out += [("data", source.choice((0, 1, 2, 3, 4, source.randrange(256))), 40)
                    for _ in range(source.randrange(9))]
        elif kind < 0.6:
            out += [("look", 0, source.randrange(5, 40)) for _ in range(source.randrange(1, 60))]
        elif kind < 0.7:
            out.append(("output", source.choice((0x1C, 0x1C, 0x3C, 0x2D, 0x18, 0x0C, 0xFF)), 10))
        elif kind < 0.75:
            out.append(("rate", source.randrange(4), 10))
        elif kind < 0.8:
            out.append(("tc", 0, source.randrange(50)))
        else:
            out.append(("wait", 0, source.randrange(10, 300_000)))
    return out


def outcome(seed: int, native: bool) -> tuple[int, bytes, list[int]]:
    """Run a program; the time, the card's record, and what was read."""
    chip = ("765a", "765b", "82077")[seed % 3]
    fdc = Fdc({**DRIVES, "chip": chip, "ready": "drive" if seed % 2 else "tied",
               "interrupt": seed % 5 == 0, "select": "chip" if seed % 7 == 0 else "output"},
              images={"drive-a": IMAGE, "drive-b": IMAGE}, native=native, seed=seed)
    if seed % 4:
        fdc.start()
    read = []
    for register, value, pause in steps(seed, 250):
        fdc.bench.advance(fdc.t + fdc.us(pause))
        if register == "look":
            read.append(fdc.bench.read("status"))
            read.append(fdc.bench.read("data"))
        elif register != "wait":
            fdc.bench.write(register, value)
    assert 0 < fdc.s.buf_len <= len(fdc.s.raw)
    assert all(0 <= d.position <= max(d.tracks + 1, 0) for d in fdc.s.drive)
    fdc.bench.serve()
    return fdc.t, fdc.s.tobytes(), read


@pytest.mark.parametrize("seed", range(12))
def test_senseless_programs(seed: int):
    assert outcome(seed, True) == outcome(seed, False)


def test_formatting_at_a_rate_beyond_the_buffer():
    fdc = Fdc()
    fdc.start(3, (0x01, 0x03))  # 1 Mbit/s: a turn of 25,000 bytes
    fdc.recalibrate()
    fdc.format(0, 0, list(range(1, 20)))
    assert len(fdc.track(0).data) == len(fdc.s.raw)
