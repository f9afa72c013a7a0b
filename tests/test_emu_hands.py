"""People at the machine: programs that wait for a hand at a card, and hands in scripts."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import Verdict, explain
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.run.script import read_script
from emu.run.session import Session

FLAT = Path(__file__).parent.parent / "roms" / "selftest" / "flat.toml"
KEYPAD = '''
import numpy as np
from peripherals.card import Card, Hand, Jumper

STATE = np.dtype([("slot", np.int64), ("key", np.int64), ("door", np.int64)], align=True)


def read(m, s, a, t):
    return s.key | s.door << 7


def write(m, s, a, t):
    return 0


def press(machine, slot, text):
    slot.state.key = int(text)


def set_door(m, s, value):
    s.door = int(value)


CARD = Card(
    name="keypad", summary="ten keys", source="a test", state=STATE,
    functions={"read": read, "write": write}, registers=("keys",),
    jumpers=(Jumper("door", "flag", False, "the door stands open"),),
    live={"door": set_door}, actions={"press": press},
    hands=lambda m, s: [Hand("card", "press", "5", "the key 5 pressed")],
)
'''
# wait: in a,(40h) / and 0Fh / jr z,wait; then in a,(40h) / and 80h / jr z,-6; ld a,1 / di / halt
WAITS = "DB40 E60F 28FA DB40 E680 28FA F376"


def described(folder: Path, code: str, card: str) -> Path:
    (folder / "keypad.py").write_text(KEYPAD)
    (folder / "code.bin").write_bytes(bytes.fromhex(code))
    path = folder / "code.toml"
    path.write_text(f'extends = "{FLAT}"\n[slot.memory]\nram-load.program = "code.bin@0x100"\n'
                    f"[slot.panel]\nbase = 0x40\n{card}\n")
    return path


def ended(path: Path, script: Path | None = None) -> tuple[Session, Verdict]:
    session = Session(Machine(load(path)), None, Fraction(1),
                      read_script(script) if script else [])
    session.run()
    return session, explain(session)


def test_a_program_that_waits_for_a_key_of_a_card(tmp_path: Path) -> None:
    _, verdict = ended(described(tmp_path, WAITS, 'card = "./keypad.py"'))
    assert verdict.verdict == "waiting-for-input"
    assert verdict.summary == ("it waits for input at slot panel (keypad): the key 5 pressed in a "
                               "copy of the machine woke its foreground.")


def test_a_program_that_does_not_look_at_the_card_hangs(tmp_path: Path) -> None:
    """xor a / ld (0200h),a / ld a,(0200h) / or a / jr z: a byte that nobody writes."""
    _, verdict = ended(described(tmp_path, "AF 320002 3A0002 B7 28FA F376",
                                 'card = "./keypad.py"'))
    assert verdict.verdict == "hung"


def test_a_named_switch_is_waited_for_and_another_is_not(tmp_path: Path) -> None:
    """in a,(41h) / and 1 / jr nz: switch 0 is high until somebody turns it."""
    named = 'card = "parallel-latch"\nswitch-names = ["run", "test"]'
    _, verdict = ended(described(tmp_path, "DB41 E601 20FA F376", named))
    assert (verdict.verdict, "the switch run turned" in verdict.summary) == (
        "waiting-for-input", True)
    machine = Machine(load(described(tmp_path, "76", 'card = "parallel-latch"')))
    slot = machine.slot("panel")
    assert slot.card.hands(machine.m, slot.state) == []


def test_hands_in_a_script(tmp_path: Path) -> None:
    path, script = described(tmp_path, WAITS, 'card = "./keypad.py"'), tmp_path / "s.script"
    script.write_text('wait 10 ms\ndo panel.press "5"\nwait 10ms\nset panel.door = true\n')
    session, _ = ended(path, script)
    assert int(session.machine.m.halted) == 1
    assert [(one.kind, one.where, one.value) for one in session.inputs] == [
        ("card", "panel.press", "5"), ("jumper", "panel.door", True)]


@pytest.mark.parametrize(("line", "words"), [
    ("do press", "do takes a slot and an action"),
    ("do panel.press 5", "a text in double quotes belongs here"),
    ("set panel.door", "set takes a jumper and a value"),
    ("do panel.kick", "panel.kick: no such thing can be done; possible are: panel.press"),
    ("set panel.door = open", "write the value as in a backplane file"),
    (f"set panel.door = {'9' * 5000}", "write the value as in a backplane file"),
    ("set panel.base = 3", "cannot change while it runs"),
])
def test_mistakes_in_a_script(tmp_path: Path, line: str, words: str) -> None:
    path, script = described(tmp_path, WAITS, 'card = "./keypad.py"'), tmp_path / "s.script"
    script.write_text(line + "\n")
    with pytest.raises(InputError) as error:
        ended(path, script)
    assert str(error.value).startswith(f"{script}:1: ") and words in str(error.value)
