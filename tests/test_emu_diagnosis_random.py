"""Random images never crash the analysis, and it ends within its budget."""
from __future__ import annotations

import random
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.diagnosis.verdict import HALTED, HUNG, RUNAWAY, RUNNING, WAITING
from emu.machine.machine import Machine
from emu.run.session import Session

ROMS = Path(__file__).parent.parent / "roms" / "broken"
KERNELS = ("sleepers/sleepers.bin", "c-tasks/c-tasks.bin", "serial/tx-ring.bin",
           "c-serial/c-queue.bin", "locks/spinlock.bin")
# Opcodes that make programs loop, call, interrupt and touch ports more often than noise does.
BUSY = bytes((0x18, 0x20, 0x28, 0x3A, 0x32, 0x21, 0xFB, 0x76, 0xDB, 0xD3, 0xC9, 0xCD, 0xED, 0xDD,
              0xB7, 0xFE, 0xFF, 0x10, 0x56, 0x5E, 0x4D, 0x31, 0xF3))
CARDS = ('[slot.sio]\ncard = "z80-sio"\nbase = 0x20\n',
         '[slot.ctc]\ncard = "z80-ctc"\nbase = 0x28\n',
         '[slot.acia]\ncard = "acia-6850"\nbase = 0x30\n')
WORK = 100_000_000  # instructions that all forks of one explanation may run


def image(rng: random.Random) -> bytes:
    """Make noise, busy noise, noise behind a set-up for mode 2, or a spoilt kernel."""
    length = rng.choice((64, 512, 4096, 32768))
    kind = rng.randrange(4)
    if kind == 0:
        return rng.randbytes(length)
    if kind == 1:
        return bytes(rng.choice((*BUSY, rng.randrange(256))) for _ in range(length))
    if kind == 2:
        return bytes((0x31, 0, 0, 0xED, 0x5E, 0xFB)) + rng.randbytes(length - 6)
    kernel = bytearray((ROMS / rng.choice(KERNELS)).read_bytes())
    for _ in range(rng.randrange(1, 6)):
        kernel[rng.randrange(len(kernel))] = rng.randrange(256)
    return bytes(kernel)


def session_of(folder: Path, seed: int) -> Session:
    rng = random.Random(seed)
    (folder / "image.bin").write_bytes(image(rng))
    cards = "".join(card for card in CARDS if rng.random() < 0.7)
    (folder / "machine.toml").write_text(
        f'[backplane]\nfloating = "{rng.choice(("pull-ups", "last-byte"))}"\n'
        f'[slot.cpu]\ncard = "z80-cpu"\nclock = "4 MHz"\n'
        f'[slot.memory]\ncard = "plain-memory"\nimage = "image.bin"\nrom-size = 32768\n'
        f"ram-start = 0x8000\nram-size = {rng.choice((4096, 32768))}\n{cards}")
    session = Session(Machine(load(folder / "machine.toml")), None, Fraction(1, 4))
    session.run()
    return session


@pytest.mark.parametrize("seed", range(24))
def test_random_images_never_crash_the_analysis(tmp_path: Path, seed: int,
                                                monkeypatch: pytest.MonkeyPatch) -> None:
    session = session_of(tmp_path, seed)
    before = session.machine.snapshot()
    work = 0
    run = Machine.run

    def counted(machine: Machine, t_stop: int) -> int:
        nonlocal work
        first = int(machine.m.instructions)
        reason = run(machine, t_stop)
        work += int(machine.m.instructions) - first
        return reason

    monkeypatch.setattr(Machine, "run", counted)
    verdict = explain(session)
    assert verdict.verdict in (HALTED, HUNG, RUNAWAY, RUNNING, WAITING)
    assert verdict.lines()[0].startswith("verdict: ")
    assert all(isinstance(line, str) for line in verdict.evidence + verdict.remedy)
    assert work < WORK
    after = session.machine.snapshot()
    assert (before.memory == after.memory).all()
    assert (before.head == after.head).all()


def test_a_spent_budget_ends_the_trials() -> None:
    session = Session(Machine(load(ROMS / "sleepers/sleepers-odd-vector.toml")), None, Fraction(1))
    session.run()
    calls = 0

    def clock() -> float:
        nonlocal calls
        calls += 1
        return float(calls)

    verdict = explain(session, 3, clock)
    assert verdict.cause is None
    assert verdict.evidence[-1] == ("The explanation ran out of time; not everything was tried.")
    assert calls < 12
