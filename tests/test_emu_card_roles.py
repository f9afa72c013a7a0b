"""What cards declare of themselves as data, and the causes that they bring."""
from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from subprocess import CompletedProcess
from types import SimpleNamespace
from typing import Any

import pytest

from emu.backplane.card_catalogue import cards
from emu.backplane.card_files import load_card_file
from emu.backplane.description import load
from emu.card import roles
from emu.diagnosis import explain
from emu.diagnosis.causes.control import STRAY_NMI
from emu.diagnosis.trials.remedies import BY_JUMPER, remedies
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.run.session import Session

CARDS = cards()
HEAD = '[slot.cpu]\ncard = "z80-cpu"\nclock = "6.144 MHz"\n[slot.memory]\ncard = "plain-memory"\n'
OWN = '''
import numpy as np
from peripherals.card import Card, Cause, STUCK, Trouble, roles

STATE = np.dtype([("slot", np.int64), ("reads", np.int64)])
JAMMED = Cause("float-jammed", "A float that is jammed", "The level stands.",
               "The register reads the same for ever.", "Free the float.", when=(STUCK,))

def read(m, s, a, t):
    s.reads += 1
    return 0

def troubles(m, s):
    return [Trouble("CODE", "{{card}} is jammed.", ["It was read again and again."],
                    ["Free the float of {{slot}}."], 0)] if s.reads > 100 else []

CARD = Card(name="float-level", summary="a float", source="our own design", state=STATE,
            functions={"read": read}, registers=("level",), kinds={"level": (roles.DATA,)},
            causes=(JAMMED,), troubles=troubles)
'''
POLL = bytes.fromhex("DB40 B7 28FB 76".replace(" ", ""))  # IN A,(40h); OR A; JR Z,-5; HALT


def build(folder: Path, code: str, program: bytes, own: str = "") -> Path:
    (folder / "p.bin").write_bytes(program)
    if own:
        (folder / "mine.py").write_text(own.replace("{{", "{").replace("}}", "}"))
    path = folder / "m.toml"
    path.write_text(HEAD + 'image = "p.bin"\n' + code)
    return path


@pytest.mark.parametrize("name", CARDS)
def test_every_register_has_a_kind(name: str) -> None:
    card = CARDS[name]
    assert set(card.kinds) == set(card.registers)
    assert all(kinds and set(kinds) <= set(roles.KINDS) for kinds in card.kinds.values())


@pytest.mark.parametrize("name", [name for name, card in CARDS.items() if card.interrupt])
def test_declared_sources_are_bits_that_the_card_has(tmp_path: Path, name: str) -> None:
    path = build(tmp_path, f'[slot.it]\ncard = "{name}"\nbase = 0x40\n', b"\x76")
    machine = Machine(load(path))
    slot = machine.slot("it")
    for request in slot.card.requests(machine.m, slot.state):
        assert 0 <= request.bit < slot.card.sources
        assert request.reports in roles.REPORTS
        assert not request.enabled and not request.pending


def test_a_timer_ticks_once_it_is_set_up(tmp_path: Path) -> None:
    """Timer mode, prescaler 16, constant 100: a zero count every 1600 T-states (UM0081, CTC)."""
    program = bytes.fromhex("3E85 D328 3E64 D328 18FE".replace(" ", ""))
    machine = Machine(load(build(tmp_path, '[slot.ctc]\ncard = "z80-ctc"\nbase = 0x28\n',
                                 program)))
    slot = machine.slot("ctc")
    assert slot.card.timer and slot.card.ticks(machine.m, slot.state) == []
    machine.run(20_000)
    (tick,) = slot.card.ticks(machine.m, slot.state)
    assert (tick.period, tick.source, tick.part) == (Fraction(1600), 0, "channel 0")


def test_a_clock_card_ticks_by_seconds(tmp_path: Path) -> None:
    machine = Machine(load(build(tmp_path, '[slot.clock]\ncard = "rtc-6242"\nbase = 0x40\n',
                                 b"\x76")))
    slot = machine.slot("clock")
    (tick,) = slot.card.ticks(machine.m, slot.state)
    assert (tick.period, tick.source) == (6_144_000, -1)


@pytest.mark.parametrize(("jumpers", "drives"), [
    ("", False), ('timeout = 100\non-timeout = "nmi"\n', True),
    ("timeout = 100\n", False), ('press = [0.1]\n', True),
    ('press = [0.1]\nbutton = "reset"\n', False)])
def test_what_pulls_nmi_says_so(tmp_path: Path, jumpers: str, drives: bool) -> None:
    machine = Machine(load(build(tmp_path, f'[slot.dog]\ncard = "watchdog"\n{jumpers}', b"\x76")))
    slot = machine.slot("dog")
    assert slot.card.drives_nmi(machine.m, slot.state) is drives


def test_a_watchdog_at_nmi_is_not_told_that_no_card_drives_it(tmp_path: Path) -> None:
    path = build(tmp_path, '[slot.dog]\ncard = "watchdog"\ntimeout = 20\non-timeout = "nmi"\n',
                 b"\x18\xfe".ljust(0x66, b"\x76") + b"\xc3\x66\x00")  # 0066h: JP 0066h
    session = Session(Machine(load(path)), limit=Fraction(1))
    session.run()
    assert int(session.machine.m.nmi_count) > 0
    verdict = explain(session, math.inf)
    assert verdict.cause != STRAY_NMI.code
    assert not any("no fitted card drives /NMI" in line for line in verdict.lines())


def test_complaints_are_data(tmp_path: Path) -> None:
    path = build(tmp_path, '[slot.terminal]\ncard = "acia-6850"\nbase = 0x30\ncts = "high"\n',
                 bytes.fromhex("3E03 D330 3E15 D330 76".replace(" ", "")))
    machine = Machine(load(path))
    slot = machine.slot("terminal")
    codes = [c.code for c in slot.card.complaints(machine.m, slot.state)]
    assert roles.HELD_IN_RESET in codes
    machine.run(1000)
    (complaint,) = slot.card.complaints(machine.m, slot.state)
    assert complaint.code == roles.CTS_INACTIVE
    assert (complaint.jumper, complaint.mend, complaint.register) == ("cts", "low", "control")


def test_a_card_of_ones_own_brings_its_cause(
        tmp_path: Path, preburn: Callable[..., CompletedProcess[str]]) -> None:
    own = OWN.replace("CODE", "float-jammed")
    path = build(tmp_path, '[slot.level]\ncard = "./mine.py"\nbase = 0x40\n', POLL, own)
    session = Session(Machine(load(path)), limit=Fraction(1))
    session.run()
    verdict = explain(session, math.inf)
    assert verdict.cause == "float-jammed", verdict.lines()
    assert verdict.remedy[0] == "Free the float of level."
    shown = preburn("cards", str(tmp_path / "mine.py"))
    assert "cause float-jammed: A float that is jammed" in shown.stdout.splitlines()


def test_an_unknown_code_is_an_error(tmp_path: Path) -> None:
    own = OWN.replace("CODE", "float-jamed")
    path = build(tmp_path, '[slot.level]\ncard = "./mine.py"\nbase = 0x40\n', POLL, own)
    session = Session(Machine(load(path)), limit=Fraction(1))
    session.run()
    with pytest.raises(InputError) as error:
        explain(session, math.inf)
    assert str(error.value) == (
        "slot.level: the card float-level reports the trouble 'float-jamed', which is none of its "
        "causes; did you mean 'float-jammed'?")


def test_a_code_that_is_taken_is_an_error(tmp_path: Path) -> None:
    own = OWN.replace("CODE", "no-tick").replace("float-jammed", "no-tick")
    path = build(tmp_path, '[slot.level]\ncard = "./mine.py"\nbase = 0x40\n', POLL, own)
    session = Session(Machine(load(path)), limit=Fraction(1))
    session.run()
    with pytest.raises(InputError, match="brings a cause 'no-tick', and there is another one"):
        explain(session, math.inf)


@pytest.mark.parametrize(("old", "new", "says"), [
    ('kinds={"level"', 'kinds={"levle"',
     "CARD: kinds names the register 'levle'; did you mean 'level'?"),
    ("(roles.DATA,)", '("date",)', "CARD: kinds: level takes one or several of data, status, "
     "control, vector, page, such as (\"data\",), not ('date',)."),
    ("when=(STUCK,)", 'when=("stuk",)',
     "CARD: cause 'float-jammed': when has 'stuk'; did you mean 'stuck'?"),
    ("when=(STUCK,)", 'decides=("leval",)', "CARD: cause 'float-jammed': decides names the "
     "register 'leval'; did you mean 'level'?"),
    ("causes=(JAMMED,)", "causes=(JAMMED, JAMMED)", "CARD: cause 'float-jammed' stands there "
     "twice; each takes a code of its own."),
    ("causes=(JAMMED,)", 'causes=("float-jammed",)', "CARD: causes takes Cause(...) entries only."),
])
def test_a_wrong_declaration_is_told(tmp_path: Path, old: str, new: str, says: str) -> None:
    path = tmp_path / "mine.py"
    assert old in OWN
    path.write_text(OWN.replace("CODE", "float-jammed").replace("{{", "{").replace("}}", "}")
                    .replace(old, new))
    with pytest.raises(InputError) as error:
        load_card_file(path)
    assert str(error.value) == f"{path}: {says}"


# --- readings -------------------------------------------------------------------------------
def test_an_unsettled_point_is_a_reading_and_no_remedy() -> None:
    """A builder has no plug for it, so no second run is made with the other reading."""
    unsettled = {(card.name, j.name) for card in cards().values() for j in card.jumpers
                 if "unsettled" in j.help}
    readings = {(card.name, j.name) for card in cards().values() for j in card.jumpers
                if j.kind == "reading"}
    assert unsettled <= readings and ("z80-sio", "next-character") in readings
    code = sorted(BY_JUMPER)[0]
    for name in {name for name, _ in readings}:
        card = cards()[name]
        slot = SimpleNamespace(name="x", card=card,
                               settings={j.name: j.default for j in card.jumpers})
        case: Any = SimpleNamespace(machine=SimpleNamespace(slots=[slot]))
        finding: Any = SimpleNamespace(facts={"slot": "x"}, cause=SimpleNamespace(code=code))
        words = " ".join(remedy.words for remedy in remedies(case, finding))
        assert words and not any(f"with {jumper} =" in words for _, jumper in readings), words
