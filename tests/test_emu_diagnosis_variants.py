"""The verdict on Tidewater with one mistake of its programmer, patched in by symbol.

The bytes are looked for behind a symbol of the image as it is, so a rebuilt ROM is patched
alike.
"""
from __future__ import annotations

import math
import re
from fractions import Fraction
from io import BytesIO
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.diagnosis.verdict import Verdict
from emu.machine.machine import Machine
from emu.run.script import sends_of
from emu.run.session import SILENCE, Session

TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater"
NEAR = 240  # bytes behind a symbol
Patch = tuple[str, str, str]  # symbol, bytes that stand there, bytes instead

RETI, RET = "ED 4D", "C9 00"
VARIANTS: dict[str, tuple[Patch, ...]] = {
    "tick-ends-with-ret": (("tick_isr", RETI, RET),),
    "switch-ends-with-ret": (("sched_run", RETI, RET),),
    "console-ends-with-ret": (("sio_done", RETI, RET),),
    "odd-timer-vector": (("timer_init", "3E 10 D3", "3E 11 D3"),),
    "odd-console-vector": (("sio_setup_b", "02 20", "02 21"),),
    "mode-1": (("vectors_select", "ED 5E", "ED 56"),),
    "mode-0": (("vectors_select", "ED 5E", "ED 46"),),
    "page-not-loaded": (("vectors_select", "ED 47", "00 00"),),
    "tick-flood": (("timer_init", "3E A7", "3E 87"), ("timer_init", "3E F0", "3E 01")),
    "tick-not-enabled": (("timer_init", "3E A7", "3E 27"),),
    "tick-counts-nothing": (("timer_init", "3E A7", "3E C7"),),
    "character-not-read": (("sio_rx_isr", "DB 20", "3E 41"),),
    "sender-not-cleared": (("sio_tx_isr", "3E 28 D3", "3E 00 D3"),),
    "receiver-not-on": (("sio_setup_a", "C1", "C0"),),
    "idle-without-ei": (("sched_idle", "FB 76 F3", "00 76 F3"),),
    "tick-without-ei": (("tick_isr", "FB ED 4D", "00 ED 4D"),),
    "tick-sixteen-times": (("timer_init", "3E A7", "3E 87"),),
}


def patched(name: str) -> bytes:
    data = bytearray((TIDEWATER / "tidewater.elf").read_bytes())
    elf = ELFFile(BytesIO(bytes(data)))
    symbols = {s.name: s["st_value"] for s in elf.get_section_by_name(".symtab").iter_symbols()}
    loads = [s for s in elf.iter_segments() if s["p_type"] == "PT_LOAD" and s["p_filesz"]]
    for symbol, old, new in VARIANTS[name]:
        at = symbols[symbol]
        segment = next(s for s in loads if s["p_vaddr"] <= at < s["p_vaddr"] + s["p_filesz"])
        place = segment["p_offset"] + at - segment["p_vaddr"]
        found = data.find(bytes.fromhex(old), place, place + NEAR)
        assert found >= 0, f"{symbol}: {old} is not there any more"
        data[found:found + len(bytes.fromhex(new))] = bytes.fromhex(new)
    return bytes(data)


def told(folder: Path, name: str, sends: tuple[str, ...]) -> Verdict:
    (folder / "tidewater.elf").write_bytes(patched(name))
    (folder / "machine.toml").write_text(
        f'extends = "{TIDEWATER / "full.toml"}"\nname = "Tidewater: {name}"\n\n'
        f'[slot.memory]\nimage = "{folder / "tidewater.elf"}"\n')
    session = Session(Machine(load(folder / "machine.toml")), None, Fraction(3),
                      sends_of(sends, (), SILENCE))
    session.run()
    return explain(session, math.inf)


@pytest.mark.parametrize(("name", "send", "cause", "words"), [
    ("tick-ends-with-ret", "", "missing-reti", "slot ctc"),
    ("switch-ends-with-ret", r"sleep 1\r", "missing-reti", "slot ctc"),
    ("console-ends-with-ret", "", "missing-reti", "slot sio"),
    ("console-ends-with-ret", r"help\r", "missing-reti", "slot sio"),
    ("odd-timer-vector", "", "bad-vector", "tick_isr (timer.s"),
    ("odd-console-vector", "", "bad-vector", "the vector 29h of slot sio"),
    ("mode-1", "", "wrong-mode", "mode 1"),
    ("mode-0", r"help\r", "wrong-mode", "mode 0"),
    ("page-not-loaded", "", "bad-vector", "I is 00h"),
    ("tick-flood", "", "tick-flood", "slot ctc"),
    ("tick-not-enabled", r"sleep 1\r", "timer-stopped", "slot ctc"),
    ("tick-counts-nothing", r"sleep 1\r", "timer-stopped", "slot ctc"),
    ("character-not-read", "", "interrupt-storm", "sio_rx_isr"),
    ("character-not-read", r"help\r", "interrupt-storm", "sio_rx_isr"),
    ("sender-not-cleared", "", "interrupt-storm", "sio_tx_isr"),
    ("receiver-not-on", "", "receiver-off", "slot sio"),
    ("idle-without-ei", "", "interrupts-off", "sched_idle"),
])
def test_a_mistake_is_named(tmp_path: Path, name: str, send: str, cause: str,
                            words: str) -> None:
    verdict = told(tmp_path, name, (send,) if send else ())
    assert verdict.cause == cause, verdict.lines()
    assert words in verdict.summary


def test_mode_0_tells_the_instruction_that_the_vector_was_run_as(tmp_path: Path) -> None:
    """10h is DJNZ (UM0080); its distance is the byte at PC (shared/facts/z80_im0.md, 2)."""
    verdict = told(tmp_path, "mode-0", (r"help\r",))
    told_of = [line for line in verdict.evidence if "from the bus as" in line]
    assert len(told_of) == 1, verdict.lines()
    assert re.search(r"the CPU ran the byte (10h from the bus as djnz|2[0-9A-F]h from the bus as "
                     r"jr) ", told_of[0])
    assert not any("0038h" in line for line in verdict.evidence + verdict.remedy)


@pytest.mark.parametrize("name", ["tick-without-ei", "tick-sixteen-times", "tick-not-enabled"])
def test_a_mistake_that_does_no_harm_is_not_accused(tmp_path: Path, name: str) -> None:
    """The idle loop enables interrupts itself; a fast tick is only fast; nobody sleeps."""
    verdict = told(tmp_path, name, ())
    assert (verdict.verdict, verdict.cause) == ("waiting-for-input", None), verdict.lines()
