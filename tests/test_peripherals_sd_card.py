"""The SD card's own rules: warm-up, what is refused or lost, the wirings, media, the contract."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from boards import CPU_AND_MEMORY
from card_bench import Bench
from sd_card_driver import CLK, CS, DI, BitHost, Host

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.media.bay import Bay, Original
from emu.testing.card_contract import complaints
from peripherals import parallel_latch
from peripherals.sd_card import CARD

DATA = b"".join(bytes([k]) * 512 for k in range(32))


@pytest.mark.parametrize("native", [False, True])
def test_a_block_there_and_back(native: bool) -> None:
    host = BitHost(DATA, native=native)
    host.start()
    assert host.read_block(7) == bytes([7]) * 512
    assert host.write_block(7, b"harbour!" * 64) == 0xE5
    host.idle()
    assert host.read_block(7) == b"harbour!" * 64
    assert host.bay.block(7)[:8] == b"harbour!"


def test_it_wants_its_clocks_first() -> None:
    host = Host(DATA)
    host.warm(9)
    assert host.command(0) == []
    host.warm(1)
    assert host.command(0) == [0x01]
    host = Host(DATA, **{"warm-up": 0})
    assert host.command(0) == [0x01]


def test_nothing_but_cmd0_wakes_it() -> None:
    host = Host(DATA)
    host.warm()
    assert host.command(8, 0x1AA) == []
    assert host.command(0, crc=0xFF) == [0x09]
    assert host.command(17) == []
    assert host.command(0) == [0x01]
    assert host.command(17) == [0x05]  # idle: not yet


def test_sdhc_stays_idle_without_hcs() -> None:
    for voltage, argument in ((True, 0), (False, 0x4000_0000)):
        host = Host(DATA)
        host.warm()
        host.command(0)
        if voltage:
            host.command(8, 0x1AA, 4)
        host.app(41, argument)
        host.advance(host.t + 6_000_000)
        assert host.app(41, 0x4000_0000) == [0x01]
        (trouble,) = [t for t in CARD.troubles(host.m, host.s) if t.code == "sd-stays-idle"]
        assert ("HCS" if voltage else "CMD8") in trouble.evidence[1]


def test_cmd41_alone_is_no_command() -> None:
    host = Host(DATA)
    host.warm()
    host.command(0)
    assert host.command(41, 0x4000_0000) == [0x05]
    assert "CMD55" in CARD.troubles(host.m, host.s)[0].evidence[0]


def test_an_mmc_starts_with_cmd1() -> None:
    host = Host(DATA, kind="mmc")
    host.warm()
    host.command(0)
    assert host.command(55) == [0x05]
    assert host.command(1) == [0x01]
    host.advance(host.t + 400_000)
    assert host.command(1) == [0x00]
    assert host.read_block(512) == bytes([1]) * 512


def test_late_answers() -> None:
    host = Host(DATA, **{"answer-bytes": 8})
    host.warm()
    host.select()
    host.send(*host.frame(0))
    assert host.bytes(9) == [0xFF] * 8 + [0x01]
    host.release()
    host.select()
    host.send(*host.frame(0))
    host.byte()
    host.release()
    assert [t.code for t in CARD.troubles(host.m, host.s)] == ["sd-short-answer"]


def test_short_blocks_of_a_small_card() -> None:
    host = Host(bytes(range(256)) * 64, kind="sdsc")
    host.start()
    assert host.command(16, 16) == [0]
    assert host.read_block(512 + 32, 16) == bytes(range(32, 48))
    assert host.command(17, 512 + 505) == [0x20]  # over the end of its block
    assert host.command(24, 512) == [0x40]  # a write has 512 bytes
    assert host.command(16, 513) == [0x40]


def test_the_end_of_the_card_and_bad_blocks() -> None:
    host = Host(DATA, **{"bad-sectors": [3]})
    host.start()
    assert host.command(17, 32) == [0x40]
    host.select()
    host.send(*host.frame(17, 3))
    assert host.answer() == [0]
    assert host.token() == 0x04
    assert host.byte() == 0xFF
    host.release()
    assert host.command(13, 0, 1) == [0, 0x90]  # ECC failed, out of range
    assert host.command(13, 0, 1) == [0, 0]
    assert any("block 3 cannot be read" in words for words in host.words())


def test_write_protection() -> None:
    host = Host(DATA, protected=True)
    host.start()
    assert host.write_block(2, b"x" * 512) & 0x1F == 0x0D
    host.release()
    assert host.command(13, 0, 1) == [0, 0x20]
    assert host.bay.block(2) == bytes([2]) * 512


def test_erasing() -> None:
    host = Host(DATA)
    host.start()
    assert host.command(33, 5) == [0x10]
    assert [host.command(32, 4), host.command(33, 6)] == [[0], [0]]
    host.select()
    host.send(*host.frame(38))
    assert host.answer() == [0]
    assert host.byte() == 0
    host.idle()
    assert [host.bay.block(k)[0] for k in (3, 4, 6, 7)] == [3, 0, 0, 7]


def test_registers() -> None:
    host = Host(DATA)
    host.start()
    for number, app, size in ((9, False, 16), (10, False, 16), (51, True, 8)):
        if app:
            host.command(55)
        host.select()
        host.send(*host.frame(number))
        assert host.answer() == [0]
        assert host.token(8) == 0xFE
        data = host.bytes(size)
        host.bytes(2)
        host.release()
        assert data == list({9: host.s.csd, 10: host.s.cid, 51: host.s.scr}[number])


def test_a_command_in_a_block_is_lost() -> None:
    host = Host(DATA)
    host.start()
    host.select()
    host.send(*host.frame(17, 1))
    host.answer()
    host.token()
    host.bytes(512)
    host.send(*host.frame(17, 2))  # in the place of the CRC
    assert host.answer() == []
    assert "sd-out-of-step" in [t.code for t in CARD.troubles(host.m, host.s)]


def test_a_block_without_its_token() -> None:
    host = Host(DATA)
    host.start()
    host.select()
    host.send(*host.frame(24, 1))
    host.answer()
    host.send(*[0x11] * 512, 0xFF, 0xFF)
    assert host.byte() == 0xFF
    assert [t.code for t in CARD.troubles(host.m, host.s)] == ["sd-no-token"]


def test_a_busy_card_pulls_do_low_when_it_is_selected_again() -> None:
    host = Host(DATA)
    host.start()
    host.write_block(1, b"x" * 512)
    host.byte()
    host.release()
    host.select()
    assert host.bytes(2) == [0x7F, 0x00]
    host.release()
    host.advance(host.t + 20_000)
    host.select()
    assert host.byte() == 0xFF


def test_an_idle_clock_that_is_high() -> None:
    """Mode 3 with the data moved at the fall reads the same; the card looks at the rise."""
    host = BitHost(DATA)
    host.warm()

    def byte(value: int = 0xFF) -> int:
        got = 0
        for k in range(7, -1, -1):
            host.port(value >> k & 1)
            got = got << 1 | host.read("data") >> 7
            host.port(value >> k & 1 | CLK)
        return got

    host.port(CS | DI | CLK)
    host.port(DI | CLK)
    for value in host.frame(0):
        byte(value)
    assert [byte(), byte()] == [0xFF, 0x01]


def test_a_clock_that_is_too_fast_at_first() -> None:
    host = BitHost(DATA)
    for _ in range(10):
        host.write("data", CS | DI | CLK, host.t + 6)
        host.write("data", CS | DI, host.t + 6)
    assert any("faster than 400 kHz" in words for words in host.words())


@pytest.mark.parametrize("native", [False, True])
def test_a_shift_register(native: bool) -> None:
    host = Host(DATA, native=native)
    host.start()
    assert host.read_block(6) == bytes([6]) * 512
    assert any("faster than 400 kHz" in words for words in host.words())


def test_a_shift_register_that_is_read_too_soon() -> None:
    host = Host(DATA, **{"shift-time": 8})
    host.warm()
    host.write("data", 0x55, host.t + 10)
    assert host.read("control") == 0x80
    host.write("data", 0xAA, host.t + 10)
    host.advance(host.t + 64)
    assert host.read("control") == 0
    assert any("lost" in words for words in host.words())


def test_a_register_that_shifts_when_it_is_read() -> None:
    host = Host(DATA)
    host.start()
    host.s.read_shifts = 1
    host.select()
    for value in host.frame(58):
        host.write("data", value, host.t + 40)
    assert [host.read("data", host.t + 40) for _ in range(7)] == [
        0xFF, 0xFF, 0x00, 0xC0, 0xFF, 0x80, 0x00]


def test_a_slow_register() -> None:
    host = Host(DATA, **{"slow-bit": 0, "slow-shift-time": 32})
    host.write("control", CS | 1, host.t + 20)
    host.wait = 300
    for _ in range(10):
        host.byte()
    assert not any("faster" in words for words in host.words())


def test_behind_any_latch() -> None:
    """Bits 0 to 2 of a latch are DI, CLK and CS; DO comes back at its input 7."""
    bay = Bay("sd", Original(None, DATA))
    bench = Bench(CARD, {"wiring": "lines"}, bays={"medium": bay},
                  also=[(parallel_latch.CARD, {})],
                  wires=[(1, "q0", 0, "di"), (1, "q1", 0, "clk"), (1, "q2", 0, "cs"),
                         (0, "do", 1, "i7")])

    class Wired(BitHost):
        def __init__(self) -> None:
            self.bay, self.level = bay, CS
            self.__dict__.update(bench.__dict__)

        def port(self, value: int) -> None:
            self.level = value
            self.write("outputs", value, self.t + 20, slot=1)

        def read(self, register: int | str, t: int | None = None, slot: int = 0,
                 port: int = 0) -> int:
            return super().read("inputs", t, 1)

    host = Wired()
    host.start()
    assert host.read_block(9) == bytes([9]) * 512


def test_another_card_begins_from_nothing() -> None:
    host = Host(DATA)
    host.start()
    host.bay.insert(Original(None, DATA[512:]))
    host.serve()
    assert host.command(17, 1) == []
    host.start()
    assert host.read_block(1) == bytes([2]) * 512
    host.bay.insert(None)
    host.serve()
    assert host.words()[0] == "the socket is empty: DO rests high"


MACHINE = CPU_AND_MEMORY + """[slot.sd]
card = "sd-card"
base = 0x68
medium = "card.img"
"""


def machine(tmp_path: Path, more: str = "", program: str = "") -> Path:
    (tmp_path / "p.bin").write_bytes(bytes.fromhex(
        program or "0E68 3E05 ED79 3E07 ED79 DB68 18F4"))
    (tmp_path / "card.img").write_bytes(DATA)
    (tmp_path / "m.toml").write_text(MACHINE + more)
    return tmp_path / "m.toml"


def test_the_contract(tmp_path: Path) -> None:
    assert complaints(load(machine(tmp_path)), Fraction(1, 20)) == []
    path = machine(tmp_path, 'wiring = "shift"\n', "0E68 3EA5 ED79 3C DB68 18F8")
    assert complaints(load(path), Fraction(1, 20)) == []


@pytest.mark.parametrize(("more", "message"), [
    ("clock-bit = 0\n", "slot.sd: cs-bit, clock-bit and di-bit are three bits of one port and "
                        "must differ, not 2, 0, 0."),
    ("bad-sectors = [-1]\n", "slot.sd: bad-sectors takes up to 16 sector numbers from 0 on, "
                             "not [-1]."),
])
def test_settings_that_cannot_be(tmp_path: Path, more: str, message: str) -> None:
    with pytest.raises(InputError) as error:
        Machine(load(machine(tmp_path, more)))
    assert str(error.value) == message
