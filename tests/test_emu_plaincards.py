"""Cards in plain Python in a running machine: one contract, faults, wires, memory, Ctrl-C."""
from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from stepper_bench import NAMES

from emu.backplane.description import load
from emu.card.plaincards import CardFault
from emu.card.views import view
from emu.cli import group
from emu.diagnosis import explain
from emu.errors import InputError
from emu.logs.tracer import watch
from emu.machine.machine import RUN, Machine
from emu.native import jit, units
from emu.run.inputs import Input, make
from emu.run.session import Session
from emu.testing.card_contract import complaints

ROOT = Path(__file__).parent.parent
MACHINE = """
[backplane]
chain = ["CARD"]
[slot.cpu]
card = "z80-cpu"
clock = "6 MHz"
[slot.memory]
card = "plain-memory"
image = "program.bin"
EXTRA
[slot.CARD]
card = "./mine.py"
"""
HEAD = """
import os
import signal
import numpy as np
from emu.bus.chain import fall_nmi
from emu.bus.wires import drive_level, source_of
from emu.bus.memory import claim
from emu.bus.state import CALL, CHAINED_INTERRUPT, FAR, NOT_MINE
from peripherals.card import Card, Jumper
STATE = np.dtype([("slot", np.int64), ("n", np.int64), ("last", np.int64),
                  ("ram", np.uint8, (4096,))], align=True)
def reset(m, s, a, t):
    s.n = 0
"""


def build(folder: Path, code: str, program: str, declared: str = "", port: int | None = 0x40,
          extra: str = "") -> Machine:
    """Make a machine with a program and a card; ``code`` holds its functions."""
    names = ["reset", *re.findall(r"^def (read|write|advance|acknowledge|reti|memory|line)\(",
                                  code, re.MULTILINE)]
    table = ", ".join(f'"{n}": {n}' for n in names)
    (folder / "mine.py").write_text(
        f'{HEAD}{code}\nCARD = Card(name="mine", summary="mine", source="own", state=STATE, '
        f'registers=("one", "two"), needs_port=False, functions={{{table}}}, '
        f'interrupt=CHAINED_INTERRUPT, {declared})\n')
    (folder / "program.bin").write_bytes(bytes.fromhex(program))
    text = MACHINE.replace("EXTRA", extra) + (f"base = {port}\n" if port is not None else "")
    (folder / "m.toml").write_text(text.replace("CARD", "mine"))
    return Machine(load(folder / "m.toml"))


def fault(machine: Machine, t: int = 10_000) -> str:
    with pytest.raises(CardFault) as error:
        machine.run(t)
    assert "\n" not in str(error.value)
    return str(error.value).replace(str(machine.description.path.parent) + "/", "")


POLL = "DB40 E680 28FA 76"  # IN A,(40h) / AND 80h / JR Z / HALT
COUNT = """
def read(m, s, a, t):
    s.n += 1
    s.last = t
    return 0x80 if s.n == 5 else 0
"""


def test_it_sees_each_access_at_its_t_state(tmp_path: Path) -> None:
    machine = build(tmp_path, COUNT, POLL)
    machine.run(1000)
    assert machine.m.halted == 1
    # IN A,(n): fetch 4, operand 3, then T1 T2 Tw* T3 of the I/O cycle: seen at T3, the 11th
    # T-state, number 10 from 0 (common practice, no source)
    assert machine.slot("mine").state.last == 4 * (11 + 7 + 12) + 10
    assert machine.slot("mine").state.n == 5


@pytest.mark.parametrize(("line", "said"), [
    ("return 1 // s.last", "mine.py:15: in read: ZeroDivisionError: integer division or modulo "
                           "by zero"),
    ("raise SystemExit(0)", "mine.py:15: in read: SystemExit: 0"),
    ("return 256", "mine.py:14: in read: it gave 256: give the byte driven, 0 to 255, or -1 for "
                   "none"),
    ("return None", "mine.py:14: in read: it gave None: give the byte driven, 0 to 255, or -1 "
                    "for none"),
    ("s.m = 1", "mine.py:15: in read: AttributeError: 'View' object has no attribute 'm'"),
    ("s.slot = 1", "mine.py:15: in read: AttributeError: 'View' object attribute 'slot' is "
                   "read-only"),
    ("s.ram[3] = 256", "mine.py:15: in read: ValueError: memoryview: invalid value for format "
                       "'B'"),
    ("m.event_t[s.slot] = 'soon'", "mine.py:15: in read: TypeError: memoryview: invalid type for "
                              "format 'l'"),
])
def test_a_fault_is_told_by_file_and_line(tmp_path: Path, line: str, said: str) -> None:
    machine = build(tmp_path, f"def read(m, s, a, t):\n    {line}\n", POLL)
    text = fault(machine)
    assert text.startswith(f"{said} (card of slot.mine; the machine stands at T-state ")
    assert ", PC 0002h SP FFFFh " in text


def test_after_a_fault_the_machine_stands_still_until_a_snapshot_is_back(tmp_path: Path) -> None:
    code = "def read(m, s, a, t):\n    s.n += 1\n    return 1 // (3 - s.n)\n"
    machine = build(tmp_path, code, POLL)
    machine.run(40)
    saved = machine.snapshot()
    first = fault(machine)
    t = int(machine.m.t)
    assert fault(machine) == first
    assert int(machine.m.t) == t
    machine.restore(saved)
    assert machine.slot("mine").state.n == 2
    machine.run(45)
    assert int(machine.m.t) >= 45
    assert fault(machine) == first


def test_a_fault_in_reset_and_at_power_on(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"mine.py:15: in line: NameError: .*slot.mine"):
        build(tmp_path, "def line(m, s, a, t):\n    x\nreset = line\n", POLL)
    with pytest.raises(InputError, match=r"mine.py:15: in up: KeyError: 'base' .*slot.mine"):
        build(tmp_path, "def up(setup):\n    setup.settings['base']\n", POLL, "power_on=up")


def test_an_event_left_in_the_past_is_a_fault(tmp_path: Path) -> None:
    code = ("def advance(m, s, t, _):\n    s.n += 1\n"
            "def reset(m, s, a, t):\n    m.event_t[s.slot] = t + 100\n")
    text = fault(build(tmp_path, code, POLL))
    assert text.startswith("mine.py:14: in advance: it left an event that is due: set "
                           "m.event_t[s.slot] to a later T-state, or to FAR for none (")


def test_a_fault_in_the_words_is_one_of_the_words(tmp_path: Path) -> None:
    machine = build(tmp_path, "def words(m, s):\n    return s.none\n", POLL, "describe=words")
    slot = machine.slot("mine")
    assert [w.replace(f"{tmp_path}/", "") for w in slot.card.describe(machine.m, slot.state)] == [
        "mine.py:15: in words: AttributeError: 'View' object has no attribute 'none'"]


def test_a_fault_in_what_a_hand_does(tmp_path: Path) -> None:
    code = """
def press(machine, slot, text):
    slot.state.n = int(text)
def door(m, s, value):
    s.none = value
def hands(m, s):
    return ["the key 3"]
"""
    machine = build(tmp_path, code, POLL, 'actions={"press": press}, live={"door": door}, '
                    'hands=hands, jumpers=(Jumper("door", "flag", False, "open"),)')
    slot = machine.slot("mine")
    for words, act in (
            ("16: in press: action press: ValueError: invalid literal for int() with base 10: 'x'.",
             lambda: make(machine, Input(0, "card", "mine.press", "x"))),
            ("18: in door: jumper door: AttributeError: 'View' object has no attribute 'none'.",
             lambda: make(machine, Input(0, "jumper", "mine.door", True))),
            ("19: in hands: hands gave ['the key 3']: give a list of Hand(...) of emu.card.roles.",
             lambda: slot.card.hands(machine.m, slot.state))):
        with pytest.raises(InputError) as error:
            act()
        assert str(error.value) == f"{tmp_path}/mine.py:{words}"


def test_the_tracer_tells_a_fault_too(tmp_path: Path) -> None:
    machine = build(tmp_path, "def read(m, s, a, t):\n    return 300\n", POLL)
    with pytest.raises(CardFault, match="it gave 300"):
        watch(machine, 1000)


def test_a_window_in_memory(tmp_path: Path) -> None:
    code = """
def reset(m, s, a, t):
    claim(m, s.slot, 8, CALL, CALL)
def memory(m, s, a, t):
    if a >> 24:
        s.ram[a & 0xFFF] = a >> 16 & 0xFF
        return 0
    return s.ram[a & 0xFFF] ^ 0xFF
"""
    program = "3E5A 320280 3A0280 76"  # LD A,5Ah / LD (8002h),A / LD A,(8002h) / HALT
    machine = build(tmp_path, code, program, "memory_size=lambda settings: 4096", None,
                    "ram-start = 0xC000\nram-size = 0x4000")
    machine.run(1000)
    assert machine.slot("mine").state.ram[2] == 0x5A
    assert int(machine.m.r[7]) == 0xA5


def test_a_wire_to_machine_code(tmp_path: Path) -> None:
    """A counter's input driven by a card in plain Python counts its falling edges."""
    code = """
def write(m, s, a, t):
    drive_level(m, s.slot, 0, a >> 8 & 1, t)
"""
    extra = ("[slot.ctc]\ncard = \"z80-ctc\"\nbase = 0x28\n"
             "[[wire]]\nfrom = \"mine.out\"\nto = \"ctc.trigger0\"\n")
    # OUT (28h),47h: counter; OUT (28h),64h: from 100; then five pulses on port 40h
    program = "3E47 D328 3E64 D328 0605 3E00 D340 3E01 D340 10F6 DB28 76"
    machine = build(tmp_path, code, program, 'outputs=("out",)', 0x40, extra)
    machine.run(2000)
    assert machine.m.halted == 1
    assert int(machine.m.r[7]) == 95


def test_nmi_from_a_card(tmp_path: Path) -> None:
    code = ("def advance(m, s, t, _):\n    m.event_t[s.slot] = FAR\n    fall_nmi(m, t)\n"
            "def reset(m, s, a, t):\n    m.event_t[s.slot] = t + 100\n")
    machine = build(tmp_path, code, "31 0090 18FE" + "00" * 97 + "76")
    machine.run(300)
    assert int(machine.m.nmi_count) == 1 and machine.m.halted == 1


def test_a_built_in_card_as_plain_python_runs_the_same(tmp_path: Path) -> None:
    """One contract: the counter/timer's own functions, called the plain way, in Tidewater."""
    (tmp_path / "ctc.py").write_text(
        "from dataclasses import replace\nfrom peripherals import z80_ctc\n"
        "def plain(f):\n    return lambda m, s, a, b: f(m, s, a, b)\n"
        "CARD = replace(z80_ctc.CARD, functions={n: plain(f) for n, f in "
        "z80_ctc.CARD.functions.items()})\n")
    (tmp_path / "m.toml").write_text(
        f'extends = "{ROOT}/roms/tidewater/full.toml"\n[slot.ctc]\ncard = "ctc.py"\n')
    built_in, plain = Machine(load(ROOT / "roms/tidewater/full.toml")), Machine(
        load(tmp_path / "m.toml"))
    assert plain.holding and not built_in.holding
    for machine in (built_in, plain):
        machine.run(machine.at(Fraction(1, 10)))
    assert int(built_in.m.int_count.sum()) > 3
    assert int(built_in.m.instructions) == int(plain.m.instructions)
    a, b = built_in.snapshot(), plain.snapshot()
    assert (a.memory == b.memory).all()
    start = int(plain.m.state_offset[plain.slot("ctc").number])
    end = start + plain.slot("ctc").card.state.itemsize
    assert a.head[start:end].tobytes() == b.head[start:end].tobytes()


def test_the_contract_finds_a_card_that_hides_its_state(tmp_path: Path) -> None:
    honest = "def read(m, s, a, t):\n    s.n += 1\n    return s.n & 1\n"
    assert complaints(build(tmp_path, honest, POLL).description, Fraction(1, 1000)) == []
    hidden = ("calls = []\ndef read(m, s, a, t):\n    calls.append(t)\n"
              "    s.n = len(calls)\n    return 1\n")
    found = complaints(build(tmp_path, hidden, POLL).description, Fraction(1, 1000))
    assert found[0] == "slot mine: n ends differently, in slices with snapshots brought back"


def test_ctrl_c_waits_for_the_end_of_the_instruction(tmp_path: Path) -> None:
    code = ("def read(m, s, a, t):\n    s.n += 1\n    if s.n == 3:\n"
            "        os.kill(os.getpid(), signal.SIGINT)\n    return 0\n")
    machine = build(tmp_path, code, POLL)
    with pytest.raises(KeyboardInterrupt):
        machine.run(1500)
    ended, calls = int(machine.m.t), int(machine.slot("mine").state.n)
    assert calls == 3 and machine.m.fault == 0
    machine.run(1500)  # and it can go on
    other = build(tmp_path, code.replace("s.n == 3", "False"), POLL)
    other.run(ended)
    assert int(other.slot("mine").state.n) == 3 and int(other.m.t) == ended
    other.run(1500)
    for name in NAMES:
        if name != "plain":
            assert (other.record[name] == machine.record[name]).all(), name
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_a_second_ctrl_c_ends_a_card_that_never_comes_back(tmp_path: Path) -> None:
    code = ("def read(m, s, a, t):\n    while True:\n        s.n += 1\n"
            "        os.kill(os.getpid(), signal.SIGINT)\n")
    build(tmp_path, code, POLL)
    done = subprocess.run([sys.executable, "-c", "from emu.cli import main; main()", "boot",
                           "m.toml"], capture_output=True, text=True, cwd=tmp_path,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == 130
    assert "mine.py:" in done.stderr and "in read: stopped by Ctrl-C (card of slot.mine; the " \
        "machine stands at T-state " in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("program", [
    POLL,
    # IM 2, EI; HL = counter: it waits for a byte of RAM that a handler would change
    "31 0090 ED5E 3E00 ED47 FB 21 0080 3600 7E B7 28FC 76",
    "F3 76", "FF"])
def test_a_hung_machine_with_one_gets_its_verdict(tmp_path: Path, program: str) -> None:
    code = ("VECTORS = (0x20,)\ndef read(m, s, a, t):\n    return 0\n"
            "def acknowledge(m, s, source, t):\n    m.ip[s.slot] = 0\n"
            "    return VECTORS[source - 1]\n")  # it knows its one source alone
    machine = build(tmp_path, code, program)
    session = Session(machine, None, Fraction(1, 10))
    session.run()
    verdict = explain(session)
    assert verdict.verdict in ("hung", "halted", "runaway")
    assert machine.m.fault == 0


def test_a_caller_without_the_lock_is_refused_and_the_card_not_called(tmp_path: Path) -> None:
    machine = build(tmp_path, COUNT, POLL)
    if jit.plain_python():
        pytest.skip("no machine code runs")
    loose = units.callable_root(RUN, 1)
    with pytest.raises(RuntimeError, match="without the interpreter's lock"):
        machine.guarded(lambda t: loose(machine.record.ctypes.data, t), 1000)
    assert machine.slot("mine").state.n == 0


def test_the_stepper_goes_back_and_forth_with_one(tmp_path: Path) -> None:
    machine = build(tmp_path, "def read(m, s, a, t):\n    s.n += 1\n    return 0\n", POLL)
    (tmp_path / "words").write_text("go 1 ms\nback 500 us\ngo 1 ms\nback\ninto\n")
    out = CliRunner().invoke(group, ["step", str(machine.description.path), "--commands",
                                     str(tmp_path / "words")])
    assert out.exit_code == 0, out.output
    assert "(1.5 ms)" in out.output and "(1 ms)" in out.output


def test_views_are_the_record(tmp_path: Path) -> None:
    inner = np.dtype([("x", np.uint8), ("y", np.int64, (2,))], align=True)
    dtype = np.dtype([("slot", np.int64), ("rows", inner, (2, 3)), ("one", inner),
                      ("z", np.int16), ("w", np.float64)], align=True)
    octets = np.zeros(dtype.itemsize, np.uint8)
    v, record = view(octets, dtype, slot=4), octets.view(dtype)[0]
    v.rows[1][2].y[1], v.one.x, v.z, v.w = 77, 255, -3, 1.5
    assert record["rows"][1, 2]["y"][1] == 77 and record["one"]["x"] == 255
    assert (record["z"], record["w"], v.slot) == (-3, 1.5, 4)
