"""Bus requests in the logs: records, text, JSON lines and the waveforms."""
from __future__ import annotations

import io
import json

import numpy as np
from timing_diagrams import levels, taken

from emu.bus.state import KIND_NAMES
from emu.diagnosis.evidence.bus_window import decode
from emu.logs.cycles import lengths
from emu.logs.jsonlines import JsonWriter
from emu.logs.kinds import BEGUN, CONTINUED, DMA, INSTRUCTION, RECORD_NAMES
from emu.logs.setting import setting_of
from emu.logs.text import TextWriter
from emu.logs.tracer import watch

PROGRAM = "3a 00 00 00 00"  # ld a,(0): the bus is away behind its first fetch
END = 24


def chunk():
    return watch(taken(PROGRAM), END)


def test_an_instruction_that_waits_for_the_bus_comes_in_parts():
    found = chunk()
    assert found.kind.tolist() == [BEGUN, DMA, CONTINUED, INSTRUCTION, INSTRUCTION]
    assert [KIND_NAMES[k] for k in found.cycles["kind"][:5]] == [
        "fetch", "bus-given", "dma-read", "bus-back", "read"]
    assert found.t.tolist() == [0, 4, 8, 17, 21, 25]


def test_a_cards_cycle_has_the_length_that_it_took():
    found = chunk()
    assert lengths(found.cycles)[:5].tolist() == [4, 0, 3, 0, 3]


def test_the_text_names_the_card_and_the_parts():
    out = io.BytesIO()
    built = taken(PROGRAM)
    found = watch(built, END)
    TextWriter(out, setting_of(built)).write(found, np.ones(len(found), bool))
    lines = out.getvalue().decode().splitlines()[2:]
    assert "(begun)" in lines[0] and "bus-given (taker)" in lines[0]
    assert "dma " in lines[1] and "dma-read 1234=AF (memory) bus-back (taker)" in lines[1]
    assert "(goes on)" in lines[2] and "read 0000=3A (memory)" in lines[2]
    assert "nop" in lines[3]


def test_the_text_by_cycle_leaves_out_what_a_moment_has_not():
    out = io.BytesIO()
    built = taken(PROGRAM)
    found = watch(built, END)
    TextWriter(out, setting_of(built), by_cycle=True).write(found, np.ones(len(found.cycles), bool))
    lines = out.getvalue().decode().splitlines()[2:]
    assert lines[1].split()[3:] == ["bus-given", "taker"]
    assert lines[2].split()[3:7] == ["dma-read", "1234", "AF", "memory"]


def test_the_json_lines_are_objects():
    out = io.BytesIO()
    built = taken(PROGRAM)
    found = watch(built, END)
    JsonWriter(out, setting_of(built)).write(found, np.ones(len(found), bool))
    lines = [json.loads(line) for line in out.getvalue().decode().splitlines()]
    assert [line["kind"] for line in lines] == [RECORD_NAMES[k] for k in found.kind]
    assert [c["kind"] for c in lines[1]["cycles"]] == ["dma-read", "bus-back"]


def test_the_lines_of_the_bus_request_move():
    found = levels(taken(PROGRAM), END)
    assert found["BUSREQ"] == {0: "1", 4: "0", 12: "1"}
    assert found["BUSACK"] == {0: "1", 8: "0", 15: "1"}
    assert found["A0"][14] == "z"


def test_the_diagnosis_reads_a_program_without_the_cards_cycles():
    built = taken(PROGRAM)
    built.log(True)
    built.run(END)
    assert [KIND_NAMES[k] for k in decode(built).kind] == ["fetch", "read", "read", "read",
                                                           "fetch", "fetch"]
