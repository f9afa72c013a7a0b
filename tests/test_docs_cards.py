"""The backplane files of docs/cards.md load, and their machines run."""
from __future__ import annotations

import re
from pathlib import Path

import pytest

from emu.backplane.card_catalogue import cards
from emu.backplane.description import load
from emu.machine.machine import Machine

PAGE = (Path(__file__).parent.parent / "docs" / "cards.md").read_text()
BLOCKS = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
CPU = '[slot.cpu]\ncard = "z80-cpu"\nclock = "6.144 MHz"\n[slot.memory]\ncard = "plain-memory"\n'


@pytest.mark.parametrize("block", BLOCKS, ids=[
    re.search(r"slot\.(\w+)", block)[1] for block in BLOCKS])
def test_a_block_makes_a_machine(tmp_path: Path, block: str) -> None:
    (tmp_path / "logs.img").write_bytes(bytes(512 * 64))
    (tmp_path / "m.toml").write_text(block + CPU)
    machine = Machine(load(tmp_path / "m.toml"))
    machine.run(100)
    assert int(machine.m.t) >= 100


def test_it_names_the_cards_that_the_readme_does_not_show() -> None:
    named = set(re.findall(r'card = "([\w-]+)"', PAGE))
    assert named <= set(cards())
    assert {"compactflash", "hd44780", "ds1302", "rtc-6242", "z80-pio", "uart-16550",
            "parallel-latch", "watchdog", "z80-dma", "z80-sio", "ppi-8255", "ppi-ide", "sd-card",
            "i2c-bus", "plain-memory", "banked-memory",
            "timer-82c54", "z85c30", "fdc-wd17xx"} == named
