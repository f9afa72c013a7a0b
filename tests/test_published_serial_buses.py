"""Waveforms of serial buses against sigrok-cli's decoders: the bytes that the program sent.

libsigrokdecode decoders "spi", "sdcard_spi", "i2c" and "uart"; skipped without sigrok-cli.
"""
from __future__ import annotations

import re
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.logs.setting import setting_of
from emu.logs.tracer import watch
from emu.logs.vcd import VcdWriter
from emu.machine.machine import Machine
from emu.run.player import Player
from emu.run.session import Session

TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater" / "full.toml"
DRIVERS = Path(__file__).parent.parent / "roms" / "drivers"


def dumped(path: Path, begin: float, end: float, dump: Path) -> Path:
    """Write the waveform of a machine from one second to another."""
    machine = Machine(load(path))
    machine.run(machine.at(begin))
    chunk = watch(machine, machine.at(end))
    with open(dump, "wb") as out:
        writer = VcdWriter(out, setting_of(machine), "tick", scalars_only=True)
        writer.write(chunk)
        writer.close(int(chunk.t[-1]))
    return dump


def sigrok(dump: Path, decoders: str, rows: str) -> list[str]:
    """Decode a waveform: the texts of the annotations."""
    program = shutil.which("sigrok-cli")
    if program is None:
        pytest.skip("no sigrok-cli here: apt-get install sigrok-cli libsigrokdecode4")
    done = subprocess.run([program, "-I", "vcd", "-i", dump, "-P", decoders, "-A", rows],
                          check=True, capture_output=True, text=True)
    assert done.stderr == "", done.stderr[:500]
    return re.findall(r"^[\w-]+: (.*)$", done.stdout, re.MULTILINE)


SPI = "spi:clk=sd_clk:mosi=sd_di:miso=sd_do:cs=sd_cs"
COMMANDS = "40 00 00 00 00 95 FF FF 48 00 00 01 AA 87 FF FF FF FF FF FF 77 00 00 00 00 65"
ANSWERS = "FF FF FF FF FF FF FF 01 FF FF FF FF FF FF FF 01 00 00 01 AA FF FF FF FF FF FF"


@pytest.mark.parametrize("shifted", [False, True])
def test_spi_has_the_bytes_of_the_beginning(tmp_path: Path, shifted: bool) -> None:
    """CMD0, CMD8 and CMD55 as roms/drivers/sd/sd-bits.s has them, and the card's answers."""
    path = shifting(tmp_path) if shifted else DRIVERS / "sd" / "sd.toml"
    dump = dumped(path, 0, 0.03, tmp_path / "bus.vcd")
    sent = " ".join(sigrok(dump, SPI, "spi=mosi-data"))
    came = " ".join(sigrok(dump, SPI, "spi=miso-data"))
    assert sent.startswith(COMMANDS)
    assert came.startswith(ANSWERS)


def test_the_card_decoder_names_the_commands(tmp_path: Path) -> None:
    dump = dumped(DRIVERS / "sd" / "sd.toml", 0, 0.03, tmp_path / "bus.vcd")
    texts = "\n".join(sigrok(dump, f"{SPI},sdcard_spi", "sdcard_spi"))
    for words in ("CMD0", "CMD8", "CMD55", "ACMD41"):
        assert words in texts


def shifting(folder: Path) -> Path:
    """A program that sends the same bytes through a shift register: 68h data, 69h control."""
    sent = bytes.fromhex(COMMANDS)
    warm = "3E04 D369 060A 3EFF D368 00 00 00 10F7"  # ten bytes FFh with CS high
    out = []
    for k, value in enumerate(sent):
        if k in (0, 8, 20):
            out.append("3E04 D369 3E00 D369")  # CS high and low again
        out.append(f"3E{value:02X} D368 00 00 00 00")
    program = bytes.fromhex((warm + " ".join(out) + "76").replace(" ", ""))
    (folder / "p.bin").write_bytes(program)
    (folder / "card.img").write_bytes(bytes(512 * 8))
    (folder / "m.toml").write_text(
        '[slot.cpu]\ncard = "z80-cpu"\nclock = "6.144 MHz"\n[slot.memory]\ncard = "plain-memory"\n'
        'image = "p.bin"\n[slot.sd]\ncard = "sd-card"\nwiring = "shift"\nbase = 0x68\n'
        'medium = "card.img"\n')
    return folder / "m.toml"


def test_i2c_has_the_bytes_of_the_clock(tmp_path: Path) -> None:
    """The driver's reading of the clock, address by address, as roms/drivers/i2c/i2c.s has it;
    libsigrokdecode decoder "i2c"."""
    # behind the START and STOP of its beginning, which the decoder takes for an address
    dump = dumped(DRIVERS / "i2c" / "i2c.toml", 0.0001, 0.02, tmp_path / "bus.vcd")
    texts = sigrok(dump, "i2c:scl=bus_scl:sda=bus_sda",
                   "i2c=start:repeat-start:stop:ack:nack:address-write:address-read:data-write"
                   ":data-read")
    once = ["Start", "Write", "Address write: 68", "ACK", "Data write: 00", "ACK", "Start repeat",
            "Read", "Address read: 68", "ACK", "Data read: 09", "ACK", "Data read: 08", "ACK",
            "Data read: 07", "NACK", "Stop"]
    assert texts[:2 * len(once)] == once * 2


UART = "uart:rx=sio_txd_a:tx=sio_rxd_a:baudrate={}"
PER_SECOND = 10**6  # of sigrok's samples, where a tick is written as 1 us


def test_uart_has_what_was_sent_and_typed_at_the_programmed_rate(tmp_path: Path) -> None:
    """Tidewater's SIO at 38400 baud, 8N1: 160 T-states of 6.144 MHz a bit, 3125 baud in ticks of
    half a T-state; libsigrokdecode decoder "uart"."""
    session = Session(Machine(load(TIDEWATER)), "tw> ", Fraction(2))
    session.run()
    session.type_in("sio.a", b"time\r")
    machine, shown = session.machine, session.console.channels["sio.a"]
    known = len(shown.text)
    player = Player(machine, session.inputs)
    player.made = session.player.made
    chunk = watch(machine, int(machine.m.t) + machine.at(Fraction(1, 20)), player)
    session.console.take()
    dump = tmp_path / "bus.vcd"
    with open(dump, "wb") as out:
        writer = VcdWriter(out, setting_of(machine), "tick", scalars_only=True)
        writer.write(chunk)
        writer.close(int(chunk.t[-1]))
    uart = UART.format(38400 * PER_SECOND // (2 * 6_144_000))
    sent = bytes(int(text, 16) for text in sigrok(dump, uart, "uart=rx-data"))
    assert bytes(shown.text[known:]) == sent and len(sent) > 20
    assert bytes(int(text, 16) for text in sigrok(dump, uart, "uart=tx-data")) == b"time\r"
    assert sigrok(dump, uart, "uart=rx-warnings:tx-warnings") == []
