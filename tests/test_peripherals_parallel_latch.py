"""The latch with lamps and switches."""
from __future__ import annotations

import pytest
from card_bench import Bench

from emu.errors import InputError
from peripherals.parallel_latch import CARD


@pytest.mark.parametrize("native", [False, True])
def test_lamps_and_switches(native: bool) -> None:
    b = Bench(CARD, {"lamps": ("alive", "alarm"), "switches": 0xF1, "switch-names": ("test",)},
              native=native)
    assert b.read("inputs") == 0xF1
    assert b.read("outputs") == -1
    b.write("outputs", 1, 100)
    b.write("outputs", 0, 200)
    b.write("outputs", 3, 300)
    assert b.words() == [
        "outputs 03h, inputs F1h", "lamp alive: lit, 3 changes, the last at T-state 300",
        "lamp alarm: lit, 1 changes, the last at T-state 300", "switch test: 1"]
    b.reset()
    assert b.s.latched == 0


def test_without_a_clear_the_latch_holds_noise_until_it_is_written() -> None:
    b = Bench(CARD, {"reset": False, "read-back": True})
    assert b.words()[0].endswith("noise: never written, inputs FFh")
    b.write("outputs", 0x42)
    b.reset()
    assert b.read("outputs") == 0x42


def test_wires_from_latch_to_latch() -> None:
    b = Bench(CARD, also=[(CARD, {"switches": 0})],
              wires=tuple((0, f"q{k}", 1, f"i{k}") for k in range(4)))
    b.write("outputs", 0xFA, 50)
    assert b.read("inputs", slot=1) == 0x0A


def test_wrong_names() -> None:
    with pytest.raises(InputError, match="lamps takes up to eight names"):
        Bench(CARD, {"lamps": ("x" * 17,)})
