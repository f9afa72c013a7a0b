"""The I2C bus's own rules: its faults, what it counts, wirings, the image, the contract."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from boards import CPU_AND_MEMORY
from card_bench import Bench
from i2c_bus_driver import SCL, SDA, Master

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.media.bay import Original
from emu.testing.card_contract import complaints
from peripherals import parallel_latch
from peripherals.i2c_bus import CARD


def codes(bus: Master) -> list[str]:
    return [trouble.code for trouble in CARD.troubles(bus.m, bus.s)]


@pytest.mark.parametrize("native", [False, True])
def test_a_page_there_and_back(native: bool) -> None:
    bus = Master(bytes(32768), native=native)
    assert all(bus.put(0xA0, 0x12, 0x40, *range(64)))
    bus.wait(0.01)
    assert bus.get(0xA0, (0x12, 0x40), 64) == list(range(64))
    assert bus.bay.block(0x1240 // 512)[0x40:0x80] == bytes(range(64))
    assert codes(bus) == []


def test_a_write_cycle_that_is_not_waited_for() -> None:
    bus = Master()
    bus.put(0xA0, 0, 0, 1)
    assert bus.put(0xA0, 0, 64, 2)[0] is False
    assert codes(bus) == ["i2c-memory-busy"]
    bus.wait(0.006)
    assert bus.put(0xA0)[0] and codes(bus) == []
    bus.put(0xA0, 0, 0, 1)
    while not bus.put(0xA0)[0]:
        pass
    assert codes(bus) == []  # who polls is not to blame
    bus.put(0xA0, 0, 0, 1)
    bus.put(0xA0)
    bus.put(0xD0)
    bus.wait(0.006)
    assert codes(bus) == ["i2c-memory-busy"]


def test_an_address_that_was_shifted_twice() -> None:
    bus = Master()
    assert bus.put(0xD0 << 1 & 0xFF) == [True]  # A0h: it reaches the memory
    bus = Master(memory="none")
    assert bus.put(0xD0 << 1 & 0xFF) == [False]
    (trouble,) = CARD.troubles(bus.m, bus.s)
    assert trouble.code == "i2c-nobody"
    assert "68h, was shifted twice" in trouble.evidence[1]


def test_a_line_that_is_driven_high() -> None:
    bus = Master(drive="push-pull")
    assert bus.put(0xD0) == [False]
    assert "i2c-push-pull" in codes(bus)


@pytest.mark.parametrize(("stuck", "line"), [("sda", "SDA"), ("scl", "SCL"), ("mid-read", "SDA")])
def test_a_line_that_is_held_low(stuck: str, line: str) -> None:
    bus = Master(stuck=stuck)
    bus.start()
    (trouble, *_) = CARD.troubles(bus.m, bus.s)
    assert trouble.code == "i2c-stuck"
    assert trouble.summary.startswith(line)
    CARD.live["stuck"](bus.m, bus.s, "none")
    if stuck == "mid-read":
        for _ in range(9):
            bus.scl(1)
            bus.scl(0)
        bus.sda(1)
    bus.scl(1)
    bus.stop()
    assert bus.put(0xD0) == [True]


def test_the_last_byte_acknowledged() -> None:
    bus = Master(bytes(512))
    bus.start()
    for value in (0xA0, 0, 0):
        bus.send(value)
    bus.start()
    bus.send(0xA1)
    bus.take()  # acknowledged, and the next byte begins with a 0
    bus.sda(0)
    bus.scl(1)
    bus.sda(1)
    assert bus.s.sda == 0  # no STOP
    bus.sda(0)
    assert "i2c-stuck" in codes(bus)
    assert "the host acknowledged a byte" in CARD.troubles(bus.m, bus.s)[0].evidence[0]


def test_clocks_that_are_stretched_away() -> None:
    bus = Master(sensor=0x48, stretch=300, **{"sensor-gives": "7"})
    bus.start()
    bus.send(0x91)
    bus.take(last=True)
    assert "i2c-stretch" in codes(bus)


def test_a_clock_that_is_too_fast() -> None:
    bus = Master(step=6)
    assert bus.put(0xD0) == [True]  # most parts bear it
    assert any("shorter than the slowest device wants" in words for words in bus.words())
    bus = Master(step=6, strict=True)
    assert bus.put(0xD0) == [False]
    assert "i2c-too-fast" in codes(bus)
    bus = Master(step=10, strict=True, rtc=False)
    assert bus.put(0xA0) == [True]  # a memory of 400 kHz


def test_both_lines_in_one_write() -> None:
    bus = Master()
    bus.port(0)
    bus.port(SDA | SCL)
    assert any("moved SDA and SCL at once" in words for words in bus.words())


def test_an_inverter_pulls_with_1() -> None:
    bus = Master(**{"pull-level": "high"})
    bus.port(0)
    assert bus.read("port") == SDA | SCL
    bus.port(SDA)
    assert bus.read("port") == SCL
    bus.reset()
    assert bus.read("port") == SDA | SCL


def test_behind_another_cards_lines() -> None:
    bench = Bench(CARD, {"wiring": "lines"}, also=[(parallel_latch.CARD, {})],
                  wires=[(1, "q0", 0, "sda"), (1, "q1", 0, "scl"), (0, "sda", 1, "i0"),
                         (0, "scl", 1, "i1")], bays={})

    class Wired(Master):
        def __init__(self) -> None:
            self.__dict__.update(bench.__dict__)
            self.step, self.level = 40, 0
            self.port(SCL)
            self.port(SCL | SDA)

        def port(self, value: int) -> None:
            self.level = value
            self.write("outputs", value, self.t + self.step, slot=1)

        def read(self, register: int | str, t: int | None = None, slot: int = 0,
                 port: int = 0) -> int:
            return super().read("inputs", t, 1)

    bus = Wired()
    bus.put(0xD0, 8, 0x42)
    assert bus.get(0xD0, (8,), 1) == [0x42]


def test_another_image() -> None:
    bus = Master(bytes(512))
    bus.bay.insert(Original(None, b"\x11" * 512))
    bus.serve()
    assert bus.get(0xA0, (0, 0), 1) == [0x11]
    assert bus.get(0xA0, (2, 0), 1) == [0xFF]  # behind the image it is new


def test_a_clock_that_stands_is_told() -> None:
    bus = Master(battery="flat")
    bus.get(0xD0, (0,), 1)
    assert codes(bus) == ["clock-stopped"]
    assert CARD.complaints(bus.m, bus.s)
    assert not CARD.ticks(bus.m, bus.s)


MACHINE = CPU_AND_MEMORY + """[slot.bus]
card = "i2c-bus"
base = 0x64
"""


def machine(tmp_path: Path, more: str = "") -> Path:
    loop = "3E03 D364 3E02 D364 3E00 D364 3E01 D364 DB64 17 18EB"
    (tmp_path / "p.bin").write_bytes(bytes.fromhex(loop))
    (tmp_path / "m.toml").write_text(MACHINE + more)
    return tmp_path / "m.toml"


def test_the_contract(tmp_path: Path) -> None:
    assert complaints(load(machine(tmp_path)), Fraction(1, 20)) == []


@pytest.mark.parametrize(("more", "message"), [
    ("scl-bit = 0\n", "slot.bus: sda-bit and scl-bit are two bits of one port and must differ, not "
                      "both 0."),
    ("scl-in-bit = 0\n", "slot.bus: sda-in-bit and scl-in-bit are two bits of a read and must "
                         "differ, not both 0; -1: SCL cannot be read."),
    ('sensor-gives = "\\u00e9"\n', "slot.bus: sensor-gives takes up to 64 ASCII characters, not "
                                  "'\u00e9'."),
])
def test_settings_that_cannot_be(tmp_path: Path, more: str, message: str) -> None:
    with pytest.raises(InputError) as error:
        Machine(load(machine(tmp_path, more)))
    assert str(error.value) == message
