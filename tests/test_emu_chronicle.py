"""The chronicle: programs of a few instructions, and the rule that each breaks."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.bus.state import A
from emu.chronicle.anomalies import NAMES, Anomaly
from emu.chronicle.flow_table import PLACE, flow_table, mask
from emu.chronicle.story import story_of, watched
from emu.isa.effects import effect
from emu.machine.machine import Machine
from emu.run.session import Session

FILE = """name = "chronicle"
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "rom.bin"
rom-size = 8192
ram-start = 0x8000
ram-size = 16384
[slot.ctc]
card = "z80-ctc"
base = 0x28
"""
TICK = "ED5E 3E01 ED47 3E10 D328 3EA7 D328 3E10 D328 FB "  # vector 10h, a fast timer, IM 2


def chronicle(folder: Path, code: str, at: dict[int, str] | None = None,
              seconds: Fraction = Fraction(1, 100)) -> list[Anomaly]:
    """Run a program beside its shadow; ``at`` puts further bytes into the ROM."""
    rom = bytearray(8192)
    for start, text in {0: code, **(at or {})}.items():
        octets = bytes.fromhex(text)
        rom[start:start + len(octets)] = octets
    (folder / "rom.bin").write_bytes(rom)
    (folder / "m.toml").write_text(FILE)
    session = Session(Machine(load(folder / "m.toml")), limit=seconds)
    session.run()
    return story_of(session)


@pytest.mark.parametrize(("kind", "code", "pc"), [
    ("unwritten-read", "3A0080 18FE", 0x0000),  # LD A,(8000h)
    ("noise-decides", "3A0080 B7 2800 18FE", 0x0004),  # OR A; JR Z
    ("noise-points", "2A0080 7E 18FE", 0x0003),  # LD HL,(8000h); LD A,(HL)
    ("noise-jump", "2A0080 E9", 0x0003),  # JP (HL)
    ("noise-out", "3A0080 D328 18FE", 0x0003),
    ("unwritten-code", "C30080", 0x8000),
    ("empty-code", "C300E0", 0xE000),
    ("empty-read", "3A00E0 18FE", 0x0000),
    ("empty-write", "3200E0 18FE", 0x0000),
    ("rom-write", "320010 18FE", 0x0000),
    ("code-written", "310090 3EC9 320080 CD0080 320080 18FE", 0x000B),
    ("push-lost", "310000 C5 18FE", 0x0003),
    ("push-over-code", "310090 210080 36C9 CD0080 310280 E5 18FE", 0x000E),
    ("return-written", "310090 CD1000 18FE", 0x0013),
    ("return-unpushed", "310090 212000 E5 C9", 0x0007),
    ("restart", "310090 00 C30000", 0x0000),
    ("ff-executed", "310090 FF", 0x0003),
    ("port-read-empty", "DB77 18FE", 0x0000),
    ("port-write-empty", "D377 18FE", 0x0000),
])
def test_a_broken_rule_is_told_where_it_was_broken(tmp_path: Path, kind: str, code: str,
                                                   pc: int) -> None:
    at = {0x10: "3E01 00 32FE8F 18FE", 0x20: "18FE", 0x38: "18FE"}
    found = [one for one in chronicle(tmp_path, code, at) if one.kind == kind]
    assert [one.pc for one in found][:1] == [pc]


def test_a_sound_program_has_nothing_in_it(tmp_path: Path) -> None:
    code = "310090 210080 0610 3600 23 10FB CD2000 18FB"
    assert chronicle(tmp_path, code, {0x20: "F5 3A0080 3C 320080 F1 C9"}) == []


@pytest.mark.parametrize(("body", "kinds"), [
    ("F5 C5 06FF C1 F1 FB ED4D", set()),
    ("F5 06FF F1 FB ED4D", {"register-lost"}),
    ("F5 F1 FB C9", {"no-reti", "request-waits"}),
])
def test_what_a_handler_leaves_behind(tmp_path: Path, body: str, kinds: set[str]) -> None:
    found = chronicle(tmp_path, "310090 " + TICK + "0600 18FE", {0x110: "4002", 0x240: body},
                      Fraction(1, 5))
    assert {one.kind for one in found} == kinds
    lost = [one for one in found if one.kind == "register-lost"]
    assert all("came back with B changed" in one.text for one in lost)


@pytest.mark.parametrize(("body", "again"), [
    ("C5 FB CD6002 0600 10FE 10FE C1 C9", True),  # EI and RETI first, then longer than a tick
    ("C5 FB CD6002 0602 10FE C1 C9", False),  # and shorter than one
    ("C5 0600 10FE 10FE C1 FB ED4D", False),  # longer than a tick, which waits for RETI
])
def test_a_handler_that_is_entered_again_before_its_end(tmp_path: Path, body: str,
                                                        again: bool) -> None:
    at = {0x110: "4002", 0x240: body, 0x260: "ED4D"}
    found = [one for one in chronicle(tmp_path, "310090 " + TICK + "0600 18FE", at,
                                      Fraction(1, 100)) if one.kind == "handler-again"]
    assert bool(found) == again
    assert all(one.a == 0x240 and 0x240 <= one.pc < 0x250 for one in found)


def test_it_ends_like_a_run_without_a_shadow(tmp_path: Path) -> None:
    chronicle(tmp_path, "310090 " + TICK + "0600 10FE 18FC", {0x110: "4002", 0x240: "FB ED4D"})
    session = Session(Machine(load(tmp_path / "m.toml")), limit=Fraction(1, 10))
    session.run()
    other = watched(session)
    for name in ("t", "pc", "sp", "ack_count", "instructions"):
        assert int(getattr(other.m, name)) == int(getattr(session.machine.m, name)), name


def test_memory_that_a_person_has_filled_counts_as_written(tmp_path: Path) -> None:
    assert chronicle(tmp_path, "00 3A0080 18FE")[0].kind == "unwritten-read"
    session = Session(Machine(load(tmp_path / "m.toml")), limit=Fraction(1, 100))
    place = int(session.machine.m.read_base_true[8])
    session.do("memory", str(place), b"\x55")
    session.run()
    assert int(session.machine.m.r[A]) == 0x55 and story_of(session) == []


def test_the_table_says_what_the_effects_say() -> None:
    table = flow_table()
    for code in (0x78, 0x86, 0xC5, 0xF1, 0xE3):
        found = effect(0, 0, code)
        row = table[code]
        assert [(int(row["target"][k]), int(row["source"][k]))
                for k in range(int(row["count"]))] == [
            (PLACE[target], mask(sources)) for target, sources in found.moves]


def test_every_kind_has_a_name_of_its_own() -> None:
    assert len(set(NAMES)) == len(NAMES) == 34
