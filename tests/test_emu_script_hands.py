"""What a hand does in a script: pins, buttons, breaks, characters with errors; done again alike."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.run.script import read_script
from emu.run.session import Session

# ld hl,8002h / inc (hl) / ld a,3 / out (30h),a / ld a,CONTROL / out (30h),a
# loop: in a,(30h) / ld (8000h),a / rra / jr nc,loop / in a,(31h) / ld (8001h),a / jr loop
PROGRAM = ("2102 8034 3e03 d330 3e{control} d330 db30 320080 1f 30f8 db31 320180 18f1")
MACHINE = """
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "image.bin"
[slot.acia]
card = "acia-6850"
base = 0x30
clock = "614.4 kHz"
terminal = {{ baud = 9600, format = "{format}" }}
interrupt = false
"""


def session(folder: Path, script: str, control: str = "1a", format_: str = "8E1",
            limit: str = "1") -> Session:
    image = bytes.fromhex(PROGRAM.format(control=control)).ljust(0x66, b"\0") + b"\xed\x45"
    (folder / "image.bin").write_bytes(image)
    (folder / "m.toml").write_text(MACHINE.format(format=format_))
    (folder / "s.script").write_text(script)
    return Session(Machine(load(folder / "m.toml")), None, Fraction(limit),
                   read_script(folder / "s.script"))


def byte(machine: Machine, address: int) -> int:
    return int(machine.m.phys[int(machine.m.read_base_true[address >> 12]) + (address & 0xFFF)])


EVERYTHING = """
at 0.1 s
send "x" with parity error
wait 20 ms
send "yz" with framing error
wait 20 ms
break 30 ms
wait 60 ms
set acia.cts = "high"
press nmi
wait 20 ms
press reset
wait 20 ms
send "A"
"""


def test_a_script_does_all_that_a_hand_can(tmp_path: Path) -> None:
    run = session(tmp_path, EVERYTHING)
    starts = byte(run.machine, 0x8002)
    run.run()
    acia = run.machine.slot("acia").state
    assert (int(acia.parity_errors), int(acia.framing_errors)) == (1, 3)  # the break is one
    assert int(acia.received) == 5
    assert int(run.machine.m.nmi_count) == 1
    assert (byte(run.machine, 0x8002) - starts) & 0xFF == 2  # started twice
    assert byte(run.machine, 0x8001) == ord("A")
    assert byte(run.machine, 0x8000) & 0x0A == 0x08  # status: CTS high, so TDRE reads 0
    assert [i.kind for i in run.inputs] == [
        "parity-error", "framing-error", "break", "jumper", "line", "line", "typed"]


def test_it_is_done_again_to_the_t_state(tmp_path: Path) -> None:
    run = session(tmp_path, EVERYTHING)
    run.run()
    again = run.replay(int(run.machine.m.t))
    assert int(again.m.t) == int(run.machine.m.t) and int(again.m.pc) == int(run.machine.m.pc)
    assert (np.asarray(again.m.phys) == np.asarray(run.machine.m.phys)).all()
    for name in ("received", "parity_errors", "framing_errors", "cts", "control", "rx_byte"):
        assert again.slot("acia").state[name] == run.machine.slot("acia").state[name], name


@pytest.mark.parametrize(("milliseconds", "breaks"), [(1, 0), (3, 1), (400, 1)])
def test_a_break_lasts_as_long_as_asked(tmp_path: Path, milliseconds: int, breaks: int) -> None:
    """Less than a frame of 1.15 ms is made one frame: a framing error and a null character."""
    run = session(tmp_path, f"at 0.1 s\nbreak {milliseconds} ms\n", "16", "8N1", "0.2")
    line = run.machine.slot("acia").state.line
    run.run()
    low_until = int(line.term_out.t) + (int(line.term_out.halves) * int(line.term_out.num)
                                        // int(line.term_out.den))
    if milliseconds == 400:
        assert int(line.term_out.active) == 1
    else:
        wanted = run.machine.at(Fraction(1, 10)) + run.machine.at(Fraction(milliseconds, 1000))
        frame = 10 * 640
        assert wanted - frame <= low_until <= wanted + 20 * frame
    assert int(run.machine.slot("acia").state.received) == 1


@pytest.mark.parametrize(("line", "message"), [
    ('send "x" with parity error', "s.script:1: the terminal at acia sends no parity bit, so it "
                                   "cannot be wrong; give it a format with one, such as format = "
                                   '"8E1".')])
def test_what_cannot_be_is_told_before_the_run(tmp_path: Path, line: str, message: str) -> None:
    with pytest.raises(InputError) as error:
        session(tmp_path, line + "\n", "16", "8N1")
    assert str(error.value).replace(f"{tmp_path}/", "") == message
