"""Rates: what is listed is true on the machine that is told to run at it."""
import json
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.backplane.rate_search import Reached, reach, verdict
from emu.machine.machine import Machine
from peripherals.card import BAUD, TICK, near

CAGE = """
name = "a cage with a wired clock"
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "program.bin"
[slot.ctc]
card = "z80-ctc"
base = 0x28
trigger-0 = "1.8432 MHz"
[slot.sio]
card = "z80-sio"
base = 0x20
clock-a = "3.6864 MHz"
[slot.acia]
card = "acia-6850"
base = 0x30
clock = "614.4 kHz"
[[wire]]
from = "ctc.zcto0"
to = "sio.clock-b"
"""


@pytest.fixture
def cage(tmp_path: Path) -> Path:
    path = tmp_path / "cage.toml"
    path.write_text(CAGE)
    (tmp_path / "program.bin").write_bytes(b"\x76")
    return path


def programmed(cage: Path, way: Reached) -> Machine:
    """Give a machine that has run the bytes of a way: LD A,n; OUT (port),A ...; HALT."""
    code = bytearray()
    for port, write in way.writes:
        assert port is not None
        code += bytes((0x3E, write.byte, 0xD3, port))
    (cage.parent / "program.bin").write_bytes(code + b"\x76")
    machine = Machine(load(cage))
    machine.run(4000)
    return machine


def words(machine: Machine, slot: str) -> list[str]:
    one = next(s for s in machine.slots if s.name == slot)
    return one.card.describe(machine.m, one.state)


@pytest.mark.parametrize("baud", [9600, 19200, 38400, 115200])
def test_serial_channels_run_at_what_is_listed(cage: Path, baud: int) -> None:
    for way in reach(load(cage), BAUD, Fraction(baud)):
        if abs(way.error) > Fraction(1, 50):
            continue
        said = words(programmed(cage, way), way.slot)
        assert any(f"{float(way.way.rate):.6g} baud" in line for line in said), (way, said)


def test_counter_runs_at_what_is_listed(cage: Path) -> None:
    found = reach(load(cage), TICK, Fraction(100))
    assert found
    for way in found:
        said = words(programmed(cage, way), "ctc")
        k = int(way.way.part[-1])
        assert f"({float(way.way.rate):.6g} Hz)" in said[k], (way, said)
        assert "interrupt enabled" in said[k]


def test_times_of_the_manual(cage: Path) -> None:
    """UM0081, CTC: timer period = clock period x prescaler x time constant."""
    best = reach(load(cage), TICK, Fraction(96_000))[0]
    assert best.way.rate == Fraction(6_144_000, 16 * 4) and best.error == 0
    assert [(p, w.byte) for p, w in best.writes] == [(0x28, 0x87), (0x28, 0x04)]


def test_a_wired_clock_is_programmed_at_its_source(cage: Path) -> None:
    b = next(w for w in reach(load(cage), BAUD, Fraction(9600)) if w.way.part == "b")
    assert b.error == 0
    assert {w.slot for _, w in b.writes} == {"ctc", "sio"}
    assert "ctc.zcto0" in b.way.words


def test_dividers_and_words() -> None:
    assert near(Fraction(100), Fraction(24000), 256) == 240
    assert near(Fraction(1), Fraction(24000), 256) == 256
    assert near(Fraction(10**9), Fraction(24000), 256) == 1
    assert verdict(BAUD, Fraction(0)) == "exact"
    assert verdict(BAUD, Fraction(1, 40)) == "+2.5 %, too far"
    assert verdict(TICK, Fraction(1, 40)) == "+2.5 %"
    assert verdict(BAUD, Fraction(11)) == "+1100 %, too far"


def test_command(preburn, roms: Path) -> None:
    done = preburn("rates", roms / "tidewater/full.toml", "--want", "38400", "--tick", "100")
    assert done.returncode == 0, done.stderr
    assert "F0h to port 28h (ctc channel0)" in done.stdout
    done = preburn("rates", roms / "tidewater/plain.toml", "--tick", "100", "--json")
    assert done.returncode == 1 and json.loads(done.stdout)[0]["ways"] == []
    done = preburn("rates", roms / "tidewater/plain.toml", "--want", "fast")
    assert done.returncode == 2
    assert done.stderr == "preburn: --want takes a rate such as 38400 or 100, not 'fast'.\n"
