"""Hold traces against the outside: sigrok Z80 decoder, GNU objdump, a VCD reader.

The VCD must give sigrok-cli (libsigrokdecode, decoder "z80") the same bus transfers and
instructions as our text trace shows; the edges must stand where UM0080's charts put them.
"""
from __future__ import annotations

import io
import random
import re
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import vcd.reader
from test_published_disassembler import objdump
from trace_bench import interrupter, machine, place

from emu.isa.disassembler import disassemble
from emu.logs.codebook import Code
from emu.logs.kinds import INSTRUCTION, INTERRUPT
from emu.logs.records import Chunk, joined
from emu.logs.setting import Setting, setting_of
from emu.logs.text import TextWriter
from emu.logs.tracer import Tracer, watch
from emu.logs.vcd import VcdWriter, timescale, unit_time

BUSES = "".join(f":d{k}=D{k}" for k in range(8)) + "".join(f":a{k}=A{k}" for k in range(16))
PINS = f"z80{BUSES}:m1=M1:rd=RD:wr=WR:mreq=MREQ:iorq=IORQ"
ROWS = ("memrd", "memwr", "iord", "iowr")


def sigrok(dump: Path, row: str) -> list[tuple[int, str, str]]:
    """Decode a VCD: (sample at which the annotation begins, row, text)."""
    program = shutil.which("sigrok-cli")
    if program is None:
        pytest.skip("no sigrok-cli here: apt-get install sigrok-cli libsigrokdecode4")
    done = subprocess.run(
        [program, "-I", "vcd", "-i", dump, "-P", PINS, "-A", f"z80={row}",
         "--protocol-decoder-samplenum"], check=True, capture_output=True, text=True)
    assert done.stderr == "", done.stderr[:500]
    found = re.findall(r"^(\d+)-\d+ z80-1: (.*)$", done.stdout, re.MULTILINE)
    return [(int(at), row, text) for at, text in found]


def dumped(chunk: Chunk, setting: Setting, path: Path) -> Path:
    with open(path, "wb") as out:
        writer = VcdWriter(out, setting, "tick", scalars_only=True)
        writer.write(chunk)
        writer.close(int(chunk.t[-1]))
    return path


def traced_lines(chunk: Chunk, setting: Setting, by_cycle: bool) -> list[list[str]]:
    """Write the text trace and split its lines into words."""
    out = io.BytesIO()
    writer = TextWriter(out, setting, by_cycle)
    writer.write(chunk, np.ones(len(chunk.cycles) if by_cycle else len(chunk), bool))
    return [line.split() for line in out.getvalue().decode().splitlines()
            if not line.startswith("#")]


def random_run(seed: int, **waits: int) -> tuple[Chunk, Setting]:
    """Run random bytes, from a new place every now and then: every prefix, undocumented
    opcodes and stray prefixes among them."""
    dice = random.Random(seed)
    built = machine(dice.randbytes(0x10000), interrupter("card", 0x20), **waits)
    chunks: list[Chunk] = []
    tracer = Tracer(built, chunks.append)
    for _ in range(200):
        tracer.run(int(built.m.t) + 120)
        while built.m.prefix:  # a run of prefixes is left half-way
            tracer.run(int(built.m.t) + 1)
        built.m.pc, built.m.halted = dice.randrange(0x10000), 0
    tracer.close()
    return joined(chunks), setting_of(built)


def interrupted_run() -> tuple[Chunk, Setting]:
    """Run a loop of every kind of transfer under interrupts of mode 1, and halts."""
    loop = "ed56 310090 fb 210080 3412 7e 77 d320 db31 ed78 ed79 e5 e1 76 18f3".replace(" ", "")
    built = machine(bytes.fromhex(loop), interrupter("card", 0x20, period=777),
                    waits_m1=1, waits_mem=2)
    place(built, 0x38, bytes.fromhex("f5 f1 fb c9"))
    return watch(built, 20_000), setting_of(built)


RUNS = {"random 1": lambda: random_run(1), "random 2": lambda: random_run(2),
        "waits": lambda: random_run(3, waits_mem=3, waits_m1=2), "interrupts": interrupted_run}


@pytest.mark.parametrize("name", RUNS)
def test_sigrok_sees_the_transfers_of_the_text_trace(name: str, tmp_path: Path) -> None:
    """libsigrokdecode z80 decoder; to it an acknowledge is an I/O read."""
    chunk, setting = RUNS[name]()
    dump = dumped(chunk, setting, tmp_path / "bus.vcd")
    addresses = [text for _, _, text in sigrok(dump, "addr")]
    transfers = [seen[1:] for seen in sorted(sum((sigrok(dump, row) for row in ROWS), []))]
    names = {"fetch": "memrd", "read": "memrd", "write": "memwr", "in": "iord", "out": "iowr",
             "halted": "memrd", "nmi": "memrd", "acknowledge": "iord"}
    ours = []
    for words in traced_lines(chunk, setting, by_cycle=True):
        kind, address, data = words[3 + words[3].endswith("w"):][:3]
        ours.append((address, names[kind], data))
    count = len(transfers)
    assert count >= len(ours) - 1 and count > 2000  # the last one may still be open
    assert [(k, d) for _, k, d in ours[:count]] == transfers
    assert [a for a, _, _ in ours[:len(addresses)]] == addresses


def as_sigrok_writes(text: str, address: int) -> str:
    """Rewrite our text: 0x1F as 1Fh, relative targets as distances, capitals, SLL."""
    text = re.sub("^sli", "sll", text)
    number = re.search(r"0x([0-9a-f]{4})$", text)
    if number and re.match("jr|djnz", text):
        away = (int(number[1], 16) - address + 0x8000 & 0xFFFF) - 0x8000
        text = f"{text[:number.start()]}${away:+d}"

    def hexadecimal(match: re.Match[str]) -> str:
        digits = match[1].upper()
        return f"{'0' if digits[0] > '9' else ''}{digits}H"

    return re.sub("0x([0-9a-f]+)", hexadecimal, text).upper()


@pytest.mark.parametrize("seed", [1, 2])
def test_sigrok_reads_the_instructions_of_the_text_trace(seed: int, tmp_path: Path) -> None:
    """libsigrokdecode z80 decoder knows the documented instructions and some others; it
    loses its place after those that it does not know, and in EX (SP),HL."""
    chunk, setting = random_run(seed)
    theirs = {at: text for at, _, text in sigrok(dumped(chunk, setting, tmp_path / "t.vcd"),
                                                 "instr")}
    codes = setting.book.look_up(chunk)
    same, shaky = 0, False
    for k, words in enumerate(traced_lines(chunk, setting, by_cycle=False)):
        if chunk.kind[k] != INSTRUCTION:  # it takes the bytes that HALT fetches for code
            shaky = True
            continue
        waits = int(chunk.cycles["waits"][chunk.first[k]])
        code = codes.table[codes.index[k]]
        assert f"{code.address:04X}" in words and code.text.split()[0] in words
        ends = 2 * int(chunk.t[k]) + 4 + 2 * waits  # it reads an opcode at T3's rise
        odd = code.text.startswith(("db ", "ex (sp)")) or code.data[0] in (0xDD, 0xFD, 0xED)
        if ends in theirs and not code.text.startswith("db ") and not undocumented(code):
            wanted = as_sigrok_writes(code.text, code.address)
            assert theirs[ends].upper() == wanted, code
            same += 1
            shaky = odd
        else:
            assert odd or shaky or k == len(chunk) - 1, f"sigrok does not see {code}"
            shaky = True
    assert same > 2500


def undocumented(code: Code) -> bool:
    """Tell whether it is one of the ED codes that no assembler gives."""
    data = code.data.lstrip(b"\xdd\xfd") + bytes(4)
    return data[0] == 0xED and disassemble(data.__getitem__, 0).note == "undocumented code"


@pytest.mark.parametrize("seed", [3, 4])
def test_objdump_reads_the_instructions_of_the_text_trace(seed: int, tmp_path: Path) -> None:
    """GNU binutils objdump, z80 target; each different instruction stands in its own slot."""
    chunk, setting = random_run(seed)
    found = setting.book.look_up(chunk)
    codes = sorted({found.table[k] for k in found.index[chunk.kind == INSTRUCTION]})
    slots = b"".join(code.data.ljust(8, b"\0") for code in codes)
    by_slot: dict[int, list[tuple[int, str]]] = {}
    for at, _, text in objdump(slots, tmp_path):
        by_slot.setdefault(at // 8, []).append((at % 8, text))
    for number, code in enumerate(codes):
        own = [text for at, text in by_slot[number] if at < len(code.data)]
        text = re.sub("^db", "defb", code.text)
        if undocumented(code):  # objdump gives these as bytes; we name what they do
            text = f"defb 0xed, {code.data[-1]:#04x}"
        if re.match("jr|djnz", text):
            text, _, target = text.rpartition("0x")
            text += f"{int(target, 16) - code.address + 8 * number & 0xFFFF:#06x}"
        if text.startswith("defb") and len(own) > 1:  # prefixes that the next one overrides
            own = [f"defb {', '.join(line.removeprefix('defb ') for line in own)}"]
        assert own[-1] == text, code
    assert len(codes) > 1500


def pins(chunk: Chunk, setting: Setting) -> dict[str, list[tuple[int, str]]]:
    """Read a VCD back with vcdvcd: the edges (half T-state, level) by line."""
    vcdvcd = pytest.importorskip("vcdvcd", reason="no vcdvcd here: pip install vcdvcd")
    out = io.BytesIO()
    writer = VcdWriter(out, setting, "tick")
    writer.write(chunk)
    writer.close(int(chunk.t[-1]))
    read = vcdvcd.VCDVCD(vcd_string=out.getvalue().decode())
    return {name: read[name].tv for name in read.signals}


def edges(found: dict[str, list[tuple[int, str]]], name: str, start: int) -> list[tuple[int, str]]:
    """Give a line's edges from a half T-state on, counted from there."""
    before = [level for at, level in found[name] if at < start]
    after = [(at - start, level) for at, level in found[name] if at >= start]
    return [e for e, old in zip(after, [*before[-1:], *(x for _, x in after)], strict=False)
            if e[1] != old or not before]


# From UM0080's charts, in half T-states from T1's rise; /RFSH rises from the fetch before.
FETCH_CHART = {"M1": [(0, "0"), (4, "1")], "MREQ": [(1, "0"), (4, "1"), (5, "0"), (7, "1")],
               "RD": [(1, "0"), (4, "1")], "RFSH": [(0, "1"), (4, "0"), (8, "1")],
               "WR": [], "IORQ": []}


@pytest.mark.parametrize(("program", "skip", "length", "chart"), [
    ("00", 0, 8, FETCH_CHART),  # UM0080 figure "instruction opcode fetch"
    ("7e", 4, 6, {"MREQ": [(1, "0"), (5, "1")], "RD": [(1, "0"), (5, "1")], "WR": [], "M1": [],
                  "IORQ": []}),  # figure "memory read or write cycle"
    ("77", 4, 6, {"MREQ": [(1, "0"), (5, "1")], "WR": [(3, "0"), (5, "1")], "RD": [], "M1": [],
                  "IORQ": []}),
    ("db20", 7, 8, {"IORQ": [(2, "0"), (7, "1")], "RD": [(2, "0"), (7, "1")], "WR": [],
                    "MREQ": [], "M1": []}),  # figure "input or output cycles"
    ("d320", 7, 8, {"IORQ": [(2, "0"), (7, "1")], "WR": [(2, "0"), (7, "1")], "RD": [],
                    "MREQ": [], "M1": []}),
])
def test_edges_stand_where_the_manual_draws_them(
        program: str, skip: int, length: int, chart: dict[str, list[tuple[int, str]]]) -> None:
    """UM0080, CPU timing figures; the half T-states are read off the drawings."""
    built = machine(bytes(4) + bytes.fromhex(program), interrupter("card", 0x20))
    start = 2 * (16 + skip)
    chunk = watch(built, 60)
    found = pins(chunk, setting_of(built))
    for name, wanted in chart.items():
        seen = [e for e in edges(found, f"bus.{name}", start)
                if e[0] <= length - (name not in ("RFSH",))]
        assert seen == wanted, name
    clock = edges(found, "bus.CLK", start)
    assert clock[:4] == [(0, "1"), (1, "0"), (2, "1"), (3, "0")]


def test_acknowledge_and_wait_states_stand_where_the_manual_draws_them() -> None:
    """UM0080 figure "interrupt request/acknowledge cycle": M1 from T1, IORQ from the first
    automatic wait state's fall, both to T3's rise; and a wait state asked for by WAIT low at
    T2's fall ("adding one wait state to a memory cycle")."""
    built = machine(bytes.fromhex("ed56 fb 18fe"), interrupter("card", 0x20, period=60))
    chunk = watch(built, 110)
    found = pins(chunk, setting_of(built))
    at = 2 * int(chunk.t[np.flatnonzero(chunk.kind == INTERRUPT)[0]])
    assert edges(found, "bus.M1", at)[:2] == [(0, "0"), (8, "1")]
    assert edges(found, "bus.IORQ", at)[:2] == [(5, "0"), (8, "1")]
    assert edges(found, "bus.INT", 0) == [(0, "1"), (120, "0"), (at + 5, "1")]
    assert [e for e in edges(found, "bus.RD", at) if e[0] < 12] == []
    slow = machine(bytes.fromhex("7e"), waits_mem=1)
    found = pins(watch(slow, 8), setting_of(slow))
    assert edges(found, "bus.WAIT", 8)[:2] == [(2, "0"), (4, "1")]
    assert edges(found, "bus.RD", 8)[:2] == [(1, "0"), (7, "1")]


def test_vectors_and_scalars_agree_and_name_the_driver() -> None:
    """vcdvcd (a VCD reader) sees the same numbers in A and A15-A0, D and D7-D0."""
    chunk, setting = random_run(5)
    chunk = chunk.cut(0, 300)
    found = pins(chunk, setting)
    for bus, width in (("A", 16), ("D", 8)):
        levels = dict(enumerate("x" * width))
        vector = dict(found[f"bus.{bus}[{width - 1}:0]"] if f"bus.{bus}[{width - 1}:0]" in found
                      else found[f"bus.{bus}"])
        lines = [(at, bit, level) for bit in range(width)
                 for at, level in found[f"bus.{bus}{bit}"]]
        times: dict[int, list[tuple[int, str]]] = {}
        for at, bit, level in lines:
            times.setdefault(at, []).append((bit, level))
        for at in sorted(times):
            levels.update(times[at])
            joined_bits = "".join(levels[bit] for bit in reversed(range(width)))
            shown = vector[at]
            assert shown.rjust(width, "z" if shown[0] == "z" else "0") == joined_bits


def test_texts_name_the_driver_and_the_instruction() -> None:
    """pyvcd's tokenizer reads the string variables back."""
    built = machine(bytes.fromhex("db20 76"), interrupter("card", 0x20))
    out = io.BytesIO()
    writer = VcdWriter(out, setting_of(built))
    writer.write(watch(built, 18))
    writer.close()
    names, seen = {}, []
    for token in vcd.reader.tokenize(io.BytesIO(out.getvalue())):
        if token.kind is vcd.reader.TokenKind.VAR:
            names[token.var.id_code] = token.var.reference
        elif token.kind is vcd.reader.TokenKind.CHANGE_STRING:
            seen.append((names[token.string_change.id_code], token.string_change.value))
    assert [text for name, text in seen if name == "driver"][-6:] == [
        "card", "-", "memory", "-", "memory", "-"]
    code = [text.replace("\\x20", " ") for name, text in seen if name == "code"]
    assert code == ["in a,(0x20)", "halt", "halted, 1 fetch"]


def test_vcd_times_are_exact() -> None:
    """Half a T-state is 125 ns at 4 MHz, and 3125/38400 us at 6.144 MHz: no whole number of
    any unit, so each edge stands at the nearest picosecond and errors do not add up."""
    assert timescale("exact", Fraction(4_000_000))[0] == "1 ns"
    assert unit_time(timescale("exact", Fraction(4_000_000))[1], 3) == 375
    unit, scaled = timescale("exact", Fraction(6_144_000))
    assert unit == "1 ps"
    for half in (1, 2, 3, 12_288_000, 12_288_000 * 864_000):  # to ten days
        assert abs(unit_time(scaled, half) - Fraction(half * 10**12, 12_288_000)) <= Fraction(1, 2)
    assert unit_time(scaled, 12_288_000) == 10**12
