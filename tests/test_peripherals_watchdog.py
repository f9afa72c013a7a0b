"""The watchdog with its button, beside a latch; how it is made, our own design."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.testing.card_contract import complaints


def machine(folder: Path, watchdog: str, program: str) -> Machine:
    (folder / "p.bin").write_bytes(bytes.fromhex(program.replace(" ", "")))
    (folder / "m.toml").write_text(f"""
[slot.cpu]
card = "z80-cpu"
clock = "1 MHz"
[slot.memory]
card = "plain-memory"
image = "p.bin"
[slot.lamps]
card = "parallel-latch"
lamps = ["one", "two"]
ports = {{ outputs = 0x10, inputs = 0x10 }}
[slot.dog]
card = "watchdog"
{watchdog}
""")
    return Machine(load(folder / "m.toml"))


# counts its starts at 8000h, writes them to the lamps, and stands
STARTS = "31 0090 3A 0080 3C 32 0080 D310 18FE"


def words(m: Machine, name: str) -> list[str]:
    slot: Any = m.slot(name)
    return list(slot.card.describe(m.m, slot.state))


def test_a_watchdog_resets_until_it_is_kicked(tmp_path: Path) -> None:
    m = machine(tmp_path, 'timeout = 10\nbase = 0x20', STARTS)
    first = int(m.m.phys[m.m.mem_base[1] + 0x8000])
    m.run(m.at(Fraction(95, 1000)))
    assert (int(m.m.phys[m.m.mem_base[1] + 0x8000]) - first) & 0xFF == 10
    assert words(m, "dog")[1].startswith("9 time-outs with RESET, the last at T-state ")
    kicking = "D320 18FC"
    m = machine(tmp_path, 'timeout = 10\nbase = 0x20', kicking)
    m.run(m.at(Fraction(1, 10)))
    assert int(m.slot("dog").state.timeouts) == 0
    assert "the longest time between two 23 T-states" in words(m, "dog")[0]


def test_it_waits_for_the_first_kick(tmp_path: Path) -> None:
    m = machine(tmp_path, 'timeout = 10\nbegins = "first-kick"\nbase = 0x20', STARTS)
    m.run(m.at(Fraction(1, 10)))
    assert int(m.slot("dog").state.timeouts) == 0


def test_the_button_and_the_contract(tmp_path: Path) -> None:
    # the handler at 66h counts in B and writes it to the lamps
    program = ("0600 18FE" + "00" * 98 + "04 78 D310 ED45").replace(" ", "")
    m = machine(tmp_path, "press = [0.001, 0.0025, 0.002]", program)
    assert m.run(m.at(Fraction(3, 1000))) == 0
    assert int(m.m.nmi_count) == 3 and int(m.slot("lamps").state.latched) == 3
    assert words(m, "dog") == ["button pressed 3 of 3 times"]
    assert complaints(m.description, Fraction(3, 1000)) == []
    reset = machine(tmp_path, 'timeout = 1', STARTS).description
    assert complaints(reset, Fraction(11, 2000)) == []


@pytest.mark.parametrize(("dog", "message"), [
    ("press = [0]", "slot.dog: press takes seconds of emulated time such as [0.5, 2], not 0."),
    ('press = ["a"]',
     "slot.dog: press takes seconds of emulated time such as [0.5, 2], not 'a'.")])
def test_wrong_presses(tmp_path: Path, dog: str, message: str) -> None:
    with pytest.raises(InputError) as error:
        machine(tmp_path, dog, STARTS)
    assert str(error.value) == message


def test_hands_at_the_switches_and_the_button(tmp_path: Path) -> None:
    m = machine(tmp_path, "button = \"reset\"", "3E55 D310 DB10 18FE")
    lamps, dog = m.slot("lamps"), m.slot("dog")
    m.run(100)
    lamps.card.live["switches"](m.m, lamps.state, 0x0F)
    assert int(m.m.r[7]) == 0xFF
    dog.card.actions["press"](m, dog, "")
    m.run(200)
    assert int(m.m.r[7]) == 0x0F
    assert words(m, "dog") == ["button pressed 1 times by hand"]
