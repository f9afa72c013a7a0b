"""How speed changes with interrupt rate, number of cards and sweep width.

docs/speed.md has a table of these figures and the model that explains them.
"""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from bench_machines import FLAT
from bench_programs import Program
from bench_starts import whole
from bench_table import Workload

FULL = Path(__file__).parent.parent / "roms" / "tidewater" / "full.toml"
MACHINE = FLAT.format(program="program.bin") + """
[slot.ctc]
card = "z80-ctc"
base = 0x28
"""
IDLE = """
[slot.idle{number}]
card = "z80-ctc"
base = {base}
"""
# T-states between interrupts: the control word and time constant of the CTC's channel 0
# (bit 5: divide the clock by 256, else by 16; a constant of 0 counts 256)
PERIODS = {0: None, 65536: (0xA5, 0), 8192: (0xA5, 32), 4096: (0x85, 0), 1024: (0x85, 64),
           256: (0x85, 16)}
CHIP = """
[slot.dma]
card = "z80-dma"
base = 0xF0
"""
ENABLE = "3EC3 D3F0 3E82 D3F0 3E87 D3F0"  # out (F0h): reset, ready is low (it rests high), enable
CARDS = (0, 4, 8, 12)
SWEEPS = (1, 4, 16)
# what is written, its name, and which part of a round's length is run
# ld sp,F000h / ld a,1 / ld i,a / im 2 / xor a / out (28h),a ...
START = "3100F0 3E01 ED47 ED5E AF D328"
SET = "3E{control:02X} D328 3E{constant:02X} D328 FB"
LOOP = "23 7E 83 5F CB4F 2801 14 C3{low:02X}00"
HANDLER = "F5 E5 2A0005 23 220005 E1 F1 FB ED4D"  # at 0200h: counts in 0500h


def program(period: int, chip: bool) -> bytes:
    """Make the program: a loop of six instructions, and a handler that counts."""
    start = START.replace("D328", f"D328 {ENABLE} AF") if chip else START
    if PERIODS[period] is not None:
        control, constant = PERIODS[period]
        start += SET.format(control=control, constant=constant)
    begin = bytes.fromhex(start)
    memory = bytearray(0x300)
    memory[:len(begin)] = begin
    loop = bytes.fromhex(LOOP.format(low=len(begin)))
    memory[len(begin):len(begin) + len(loop)] = loop
    memory[0x100:0x102] = (0x200).to_bytes(2, "little")  # vector 0
    handler = bytes.fromhex(HANDLER)
    memory[0x200:0x200 + len(handler)] = handler
    return bytes(memory)


def machine(folder: Path, period: int, cards: int, chip: bool = False) -> Program:
    """Make a machine that is interrupted, with some cards that do nothing, and a DMA ``chip``
    that is enabled and waits."""
    place = folder / f"growth-{period}-{cards}-{chip}"
    place.mkdir(exist_ok=True)
    (place / "program.bin").write_bytes(program(period, chip))
    path = place / "machine.toml"
    path.write_text(MACHINE + CHIP * chip + "".join(IDLE.format(number=k, base=0x80 + 4 * k)
                                      for k in range(cards)))
    made = Program(path, Fraction(1, 50))
    taken = int(made.machine.m.ack_count)
    if (taken > 0) != (period > 0):
        raise RuntimeError(f"{taken} interrupts were taken, at {period} T-states each")
    if chip and (int(made.machine.m.bus_armed) == 0 or int(made.machine.m.bus_back_t) > 0):
        raise RuntimeError("the DMA chip is not enabled, or does not wait")
    return made


def sweep(width: int, jobs: int) -> float:
    """Sweep Tidewater over some seeds; seconds."""
    return whole("sweep", str(FULL), "--seeds", str(width), "--until", "tw> ", "--limit", "1",
                 "--jobs", str(jobs), holds="reached")


def workloads(folder: Path, short: bool) -> list[Workload]:
    """Make all machines of the table."""
    stretch = Fraction(1, 50) if short else Fraction(2)
    found = []
    for period in PERIODS:
        made = machine(folder, period, 0)
        name = f"interrupt every {period} T" if period else "no interrupts"
        found.append(Workload(name, "MT/s", lambda made=made: made.speed(stretch),
                              against="no interrupts"))
    for period in (0, 1024):
        made = machine(folder, period, 0, chip=True)
        name = f"interrupt every {period} T" if period else "no interrupts"
        found.append(Workload(f"  {name}, a DMA chip waits", "MT/s",
                              lambda made=made: made.speed(stretch), against=name,
                              goal_ratio=0.8))
    for cards in CARDS:
        made = machine(folder, 1024, cards)
        found.append(Workload(f"  {cards} idle cards", "MT/s",
                              lambda made=made: made.speed(stretch), against="  0 idle cards"))
    for width in SWEEPS[:1] if short else SWEEPS:
        for jobs in (1, 2):
            found.append(Workload(f"sweep of {width}, {jobs} jobs", "s",
                                  lambda w=width, j=jobs: sweep(w, j), "lower"))
    return found
