"""The machines of roms/drivers/ do what their records say, to the T-state."""
from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import pytest
import record_roms

DRIVERS = record_roms.drivers()


@pytest.mark.parametrize("machine,good", DRIVERS, ids=[path.stem for path, _ in DRIVERS])
def test_a_driver_runs_as_recorded(preburn: Callable[..., CompletedProcess[str]], machine: Path,
                                   good: Path) -> None:
    done = preburn("verify", machine, good)
    assert done.returncode == 0, done.stdout + done.stderr


def shown(name: str) -> str:
    """Give what a driver's console showed, by its record, which the run is held to above."""
    good = next(good for _, good in DRIVERS if good.stem == name)
    return "".join(text for _, text in json.loads(good.read_text())["console"]["sio.a"]["lines"])


def test_a_block_of_the_sd_card_is_shown_and_one_written() -> None:
    """The text at the start of sd.img; a record keeps the block that was written."""
    assert "Tidewater log 12\r\nberth 3, gauge 7\r\nentry written and read back" in shown("sd")


def test_clock_memory_and_sensor_of_an_i2c_bus_are_read() -> None:
    """What `start`, i2c.img and `sensor-gives` say."""
    assert "07:08:10\r\nTidewater settings, berth 3\r\ngauge: 2.7m" in shown("i2c")


def test_the_report_of_the_scc_is_sent_by_interrupts() -> None:
    """The text of scc.s, 71 bytes, at the other terminal."""
    assert "report sent, bytes: 47" in shown("scc")


def test_a_track_is_formatted_and_a_sector_read_back() -> None:
    """The texts of wd.s: one went to the disk and came back."""
    assert "track 1 formatted\r\nTidewater, berth 3: read back from sector 3" in shown("wd")


def test_the_keypad_is_read_and_printed() -> None:
    """The words of `gives-b` in ppi.toml, thirteen with the carriage return."""
    assert "keypad: ebb at 07:12\r\nprinter, bytes: 0D\r\n" in shown("ppi")


def test_the_drive_is_found_and_written() -> None:
    """ide.img has sixteen sectors of 512 bytes, all zero at the end of sector 1."""
    assert "drive: PREBURN CF, sectors: 00000010h\r\nstarts: 0001\r\n" in shown("ide")


def test_the_eeprom_keeps_a_record_page_by_page() -> None:
    """200 bytes from 70F0h on, in pages of 64 bytes: 16, 64, 64 and 56."""
    assert "stored, cycles: 04h\r\nread back: right\r\n" in shown("eeprom")
    assert "without the prefix: refused" in shown("eeprom")


def test_the_flash_says_who_it_is_and_keeps_a_log() -> None:
    """Codes 01h and A4h: AS29F040 table 4."""
    text = shown("flash29")
    assert "codes: 01A4h\r\nlog: 07:12 high water 4.31 m\r\nover a zero: refused" in text


def test_the_timer_ticks_and_counts() -> None:
    """Fifty ticks; 1000 - 49 left, as the first falling edge loads; 100 DJNZ take 1298 T-states.

    1298 / 6.144 MHz * 614.4 kHz are 129.8 pulses, and a few more for what stands around the loop.
    """
    text = shown("timer")
    assert "ticks: 32h\r\ncounter 1 has left: 03B7h\r\n" in text
    pulses = int(text.split("pulses: ")[1][:4], 16)
    assert 130 <= pulses <= 140
