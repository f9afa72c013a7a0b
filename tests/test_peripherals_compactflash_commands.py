"""The CompactFlash card beyond transfers: power, sense, reset, bad sectors, haste (from memory)."""
from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from test_peripherals_compactflash import BLOCK, IMAGE, SECTORS, Socket, card

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine


def task(socket: Socket) -> list[int]:
    return [socket.read(r) for r in ("error", "count", "lba0", "lba1", "lba2", "head")]


def power(socket: Socket) -> int:
    socket.command(0xE5, count=1)
    assert socket.ready() == 0x50
    return socket.read("count")


@pytest.mark.parametrize("native", [False, True])
@pytest.mark.parametrize("code", [0x94, 0xE0, 0x96, 0xE2, 0x99, 0xE6])
def test_a_card_at_rest_says_so_until_its_medium_is_wanted(code: int, native: bool) -> None:
    socket = card(native=native)
    socket.command(code)
    assert socket.ready() == 0x50 and power(socket) == 0
    assert "in standby" in socket.words()[0]
    socket.command(0x20, 5)
    assert socket.ready() == 0x58
    assert socket.take() == IMAGE[5 * BLOCK:6 * BLOCK]
    assert power(socket) == 0xFF


@pytest.mark.parametrize("code", [0x95, 0xE1, 0x97, 0xE3])
def test_idle_ends_the_rest(code: int) -> None:
    socket = card()
    socket.command(0xE0)
    socket.command(code)
    assert socket.ready() == 0x50 and power(socket) == 0xFF


def software_reset(socket: Socket) -> None:
    socket.write("control", 0x04, socket.t + 100)
    socket.write("control", 0x00, socket.t + 100)
    assert socket.ready() == 0x50


def test_the_reset_bit_takes_the_8_bit_mode_back_unless_66h_forbids_it() -> None:
    socket = card()
    software_reset(socket)
    socket.command(0x20, 1)
    socket.ready()
    assert socket.take(3) == IMAGE[BLOCK:BLOCK + 6:2]
    socket.eight_bits()
    socket.command(0xEF, features=0x66)
    assert socket.ready() == 0x50
    software_reset(socket)
    socket.command(0x20, 1)
    socket.ready()
    assert socket.take(3) == IMAGE[BLOCK:BLOCK + 3]
    socket.command(0xEF, features=0xCC)
    software_reset(socket)
    assert socket.s.eight == 0


def test_reset_brings_the_default_translation_and_16_bits_in_any_case() -> None:
    socket = card()
    socket.command(0xEF, features=0x66)
    socket.ready()
    socket.command(0x91, count=16, head=0xA1)
    socket.ready()
    assert (socket.s.heads, socket.s.sectors) == (2, 16)
    socket.reset()
    assert (socket.s.heads, socket.s.sectors, socket.s.eight) == (2, 32, 0)
    assert (socket.s.identify[112], socket.s.identify[114]) == (32, 2048 & 0xFF)
    socket.ready()
    assert task(socket) == [1, 1, 1, 0, 0, 0]


def test_multiple_of_0_turns_it_off_without_an_error() -> None:
    socket = card()
    for count, status in ((1, 0x50), (0, 0x50), (1, 0x50), (2, 0x51)):
        socket.command(0xC6, count=count)
        assert socket.ready() == status
        socket.command(0xC4, 3)
        assert socket.ready() == (0x58 if count == 1 else 0x51)
        assert socket.words()


@pytest.mark.parametrize("code", [0x40, 0x41, 0xC0])
def test_verify_and_erase_go_through_all_sectors(code: int) -> None:
    socket = card()
    socket.command(code, 10, 5)
    assert socket.ready() == 0x50
    assert task(socket) == [0, 0, 14, 0, 0, 0xE0]
    socket.command(code, SECTORS - 2, 5)
    assert socket.ready() == 0x51
    assert task(socket) == [0x10, 3, SECTORS & 0xFF, SECTORS >> 8, 0, 0xE0]


def test_a_bad_sector_ends_a_read_with_its_number_in_the_registers() -> None:
    socket = card(settings={"bad-sectors": [12, 300]})
    socket.command(0x20, 11, 4)
    assert socket.ready() == 0x58
    assert socket.take() == IMAGE[11 * BLOCK:12 * BLOCK]
    assert socket.ready() == 0x51
    assert task(socket) == [0x40, 3, 12, 0, 0, 0xE0]
    assert any("UNC): sector 12 cannot be read" in line for line in socket.words())
    socket.command(0x40, 298, 8)
    assert socket.ready() == 0x51
    assert task(socket) == [0x40, 6, 300 & 0xFF, 1, 0, 0xE0]
    socket.command(0x30, 12)  # it can be written
    assert socket.ready() == 0x58
    socket.give(bytes(BLOCK))
    assert socket.ready() == 0x50


@pytest.mark.parametrize(("command", "sense"), [
    ({"code": 0x20, "lba": SECTORS}, 0x2F), ({"code": 0x20, "lba": 40, "head": 0xA0}, 0x21),
    ({"code": 0xD0}, 0x20), ({"code": 0x20, "lba": 9}, 0x11), ({"code": 0x40, "lba": 1}, 0x00),
    ({"code": 0x90}, 0x01),
])
def test_request_sense_tells_more_of_the_last_command(command: dict[str, Any],
                                                      sense: int) -> None:
    socket = card(settings={"bad-sectors": [9]})
    socket.command(**command)
    socket.ready()
    socket.command(0x03)
    assert socket.ready() == 0x50
    assert socket.read("error") == sense


def test_request_sense_after_a_write_to_a_protected_card() -> None:
    socket = card(protected=True)
    socket.command(0x30, 1)
    assert socket.ready() == 0x51
    socket.command(0x03)
    assert (socket.ready(), socket.read("error")) == (0x50, 0x27)


def test_bytes_written_before_the_card_asks_for_them_are_lost() -> None:
    socket = card()
    socket.command(0x30, 4)
    socket.give(b"\x55\x55")  # 52 T-states after the command: still busy
    assert socket.ready() == 0x58
    socket.give(IMAGE[:BLOCK - 2])
    assert socket.ready() == 0x58  # it wants two more
    assert any("2 data accesses while busy" in line for line in socket.words())
    socket.give(b"\x01\x02")
    assert socket.ready() == 0x50
    assert socket.bay.block(4) == IMAGE[:BLOCK - 2] + b"\x01\x02"


def test_no_interrupt_for_the_first_sector_of_a_write() -> None:
    socket = Socket(settings={"interrupt": True})
    socket.eight_bits()
    socket.command(0x30, 4, 2)
    socket.advance(socket.t + 1000)
    assert socket.int_line == 0  # ATA: INTRQ comes with the second request
    socket.give(bytes(BLOCK))
    socket.advance(socket.t + 20_000)
    assert socket.int_line == 1


def test_a_command_in_the_middle_of_a_transfer_ends_it() -> None:
    socket = card()
    socket.command(0x20, 1, 3)
    socket.ready()
    socket.take(100)
    socket.command(0x20, 200)
    assert socket.ready() == 0x58
    assert socket.take() == IMAGE[200 * BLOCK:201 * BLOCK]
    assert socket.ready() == 0x50


@pytest.mark.parametrize("value", ["[-1]", '["a"]', "[true]", "[" + "1, " * 17 + "]"])
def test_wrong_bad_sectors(tmp_path: Path, value: str) -> None:
    (tmp_path / "m.toml").write_text(
        '[slot.cpu]\ncard = "z80-cpu"\nclock = "6 MHz"\n[slot.memory]\ncard = "plain-memory"\n'
        f'[slot.cf]\ncard = "compactflash"\nbase = 0\nbad-sectors = {value}\n')
    with pytest.raises(InputError, match=r"^slot\.cf: bad-sectors takes up to 16 sector numbers"):
        Machine(load(tmp_path / "m.toml"))
