"""The wiring check: each finding on the smallest machine that has it."""
from __future__ import annotations

from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.backplane.wiring_check import check

BASE = """
[slot.cpu]
card = "z80-cpu"
clock = "4 MHz"
[slot.memory]
card = "plain-memory"
image = "image.bin"
"""
CTC = '[slot.ctc]\ncard = "z80-ctc"\nbase = 0x28\n'
SIO = '[slot.sio]\ncard = "z80-sio"\nbase = 0x20\n'
ACIA = '[slot.acia]\ncard = "acia-6850"\nbase = 0x30\n'
UART = '[slot.uart]\ncard = "uart-16550"\nbase = 0xC8\n'
WIRE = '[[wire]]\nfrom = "ctc.zcto0"\nto = "sio.clock-a"\n'


def found(folder: Path, text: str) -> list[tuple[str, str, str]]:
    (folder / "image.bin").write_bytes(b"\xc3\x00\x00")
    (folder / "blank.bin").write_bytes(b"\xff\xff")
    path = folder / "m.toml"
    path.write_text(text)
    return [(f.level, f.code, f.slot) for f in check(load(path))]


def test_nothing_to_object_to(tmp_path: Path) -> None:
    text = '[backplane]\nchain = ["ctc", "sio"]\n' + BASE + CTC + SIO
    assert found(tmp_path, text) == []


@pytest.mark.parametrize(("text", "finding"), [
    (BASE + CTC + SIO.replace("0x20", "0x28"), ("error", "port-clash", "sio")),
    (BASE + CTC + SIO.replace("0x20", "0x08") + "mirrors = 0x20\n", ("error", "port-clash", "sio")),
    (BASE + CTC + "mirrors = 1\n", ("error", "decode-overlap", "ctc")),
    (BASE + CTC + SIO, ("warning", "no-chain", "sio")),
    ('[backplane]\nchain = ["ctc", "open", "sio"]\n' + BASE + CTC + SIO,
     ("error", "chain-break", "sio")),
    ('[backplane]\nchain = ["ctc"]\n' + BASE + CTC + SIO, ("warning", "not-in-chain", "sio")),
    (BASE + CTC + ACIA, ("warning", "mixed-modes", "acia")),
    (BASE + ACIA + 'clock = "1 MHz"\n', ("warning", "baud-error", "acia")),
    (BASE + UART + "terminal = { baud = 31250 }\n", ("warning", "baud-error", "uart")),
    (BASE + CTC + SIO + "terminal-a = { baud = 115200 }\n" + WIRE,
     ("warning", "baud-error", "sio")),
    (BASE + ACIA, ("note", "no-tick-source", "")),
    (BASE.replace('image = "image.bin"', ""), ("warning", "no-image", "memory")),
    (BASE.replace("image.bin", "blank.bin"), ("warning", "blank-start", "memory")),
    ('[slot.cpu]\ncard = "z80-cpu"\n', ("error", "no-memory", "")),
])
def test_findings(tmp_path: Path, text: str, finding: tuple[str, str, str]) -> None:
    assert finding in found(tmp_path, text)


def test_cards_apart_in_sixteen_bits_do_not_clash(tmp_path: Path) -> None:
    wide = CTC.replace("0x28", "0x128\ndecode = 16")
    apart = BASE + wide + SIO.replace("0x20", "0x228\ndecode = 16")
    assert not any(code == "port-clash" for _, code, _ in found(tmp_path, apart))
    # a card that ignores A15-A8 answers there too
    assert ("error", "port-clash", "sio") in found(tmp_path, BASE + wide
                                                   + SIO.replace("0x20", "0x28"))


def test_an_interrupt_jumper_off_takes_the_card_out_of_the_mix(tmp_path: Path) -> None:
    assert not any(code == "mixed-modes" for _, code, _ in
                   found(tmp_path, BASE + CTC + ACIA + "interrupt = false\n"))


@pytest.mark.parametrize("text", [
    UART + "terminal = { baud = 9600 }\n", UART + "terminal = { baud = 300 }\n",
    CTC + SIO + "terminal-a = { baud = 15625 }\n" + WIRE])
def test_a_rate_that_a_divisor_or_a_counter_gives(tmp_path: Path, text: str) -> None:
    assert not any(code == "baud-error" for _, code, _ in found(tmp_path, BASE + text))
