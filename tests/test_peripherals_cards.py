"""What every card owes: a source, a test file, jumpers with help, words, the contract."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.card_catalogue import cards
from emu.backplane.description import load
from emu.testing.card_contract import complaints
from peripherals.card import ENTRIES

TESTS = Path(__file__).parent
CARDS = cards()


@pytest.mark.parametrize("name", CARDS)
def test_its_declaration(name: str) -> None:
    card = CARDS[name]
    assert card.summary and card.source and not card.summary.endswith(".")
    assert card.state.names[0] == "slot"
    assert set(card.functions) <= set(ENTRIES)
    for jumper in card.jumpers:
        assert jumper.help, jumper.name
    for lines in (card.inputs, card.outputs, card.registers):
        assert len(set(lines)) == len(lines)


@pytest.mark.parametrize("name", CARDS)
def test_some_test_is_about_it(name: str) -> None:
    modules = {f.__module__.rpartition(".")[2] for f in CARDS[name].functions.values()}
    texts = [path.read_text() for path in TESTS.glob("test_*.py") if path != Path(__file__)]
    assert any(f'"{name}"' in text or any(
        f"peripherals.{module} import" in text or f"import {module}" in text
        for module in modules) for text in texts)


# Reads and writes every port with a byte that changes, for ever.
SWEEP = bytes.fromhex("0E00 ED78 C60B ED79 0C 18F7 18F5".replace(" ", ""))


@pytest.mark.parametrize("name", [n for n, card in CARDS.items()
                                  if n != "z80-cpu" and not card.memory_size({
                                      j.name: j.default for j in card.jumpers})])
def test_a_run_is_the_same_however_it_is_made(tmp_path: Path, name: str) -> None:
    (tmp_path / "p.bin").write_bytes(SWEEP)
    (tmp_path / "card.img").write_bytes(bytes(range(256)) * 64)
    medium = 'medium = "card.img"\n' if name in ("compactflash", "sd-card") else ""
    (tmp_path / "m.toml").write_text(
        f'[slot.cpu]\ncard = "z80-cpu"\nclock = "6 MHz"\n[slot.memory]\ncard = "plain-memory"\n'
        f'image = "p.bin"\n[slot.it]\ncard = "{name}"\nbase = 0\nmirrors = 0xE0\n{medium}')
    assert complaints(load(tmp_path / "m.toml"), Fraction(1, 20)) == []
