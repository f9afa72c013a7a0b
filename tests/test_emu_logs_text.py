"""The text trace and the JSON lines, line by line."""
from __future__ import annotations

import io
import json

import numpy as np
from trace_bench import interrupter, machine

from emu.logs.jsonlines import JsonWriter
from emu.logs.records import Chunk, compact
from emu.logs.setting import Setting, setting_of
from emu.logs.text import TextWriter
from emu.logs.tracer import watch


def everything(chunk: Chunk, by_cycle: bool) -> np.ndarray:
    return np.ones(len(chunk.cycles) if by_cycle else len(chunk), bool)


def text_of(chunk: Chunk, setting: Setting, by_cycle: bool = False) -> list[str]:
    out = io.BytesIO()
    TextWriter(out, setting, by_cycle).write(chunk, everything(chunk, by_cycle))
    return out.getvalue().decode().splitlines()


def json_of(chunk: Chunk, setting: Setting, by_cycle: bool = False) -> list[dict]:
    out = io.BytesIO()
    JsonWriter(out, setting, by_cycle).write(chunk, everything(chunk, by_cycle))
    return [json.loads(line) for line in out.getvalue().decode().splitlines()]


def example() -> tuple[Chunk, Setting]:
    """ld a,12h / ld hl,4000h / ld (hl),a / in a,(20h) / halt; fetches with one wait."""
    program = bytes.fromhex("3e12 210040 77 db20 76 00")
    built = machine(program, interrupter("card", 0x20), waits_m1=1)
    return watch(built, 80), setting_of(built)


def test_an_instruction_a_line() -> None:
    """UM0080: 7, 10, 7, 11 and 4 T-states, and one wait in each fetch; 4 MHz."""
    chunk, setting = example()
    lines = text_of(compact(chunk), setting)
    assert lines[0] == "# bench: 4 MHz, seed 1"
    assert [line.rstrip() for line in lines] == lines
    assert [line.split() for line in lines[2:]] == [
        "0 0.000000000 8 1w 0000 3E 12 ld a,0x12 memory AF=12FF".split(),
        "8 0.000002000 11 1w 0002 21 00 40 ld hl,0x4000 memory HL=4000".split(),
        "19 0.000004750 8 1w 0005 77 ld (hl),a memory write 4000=12".split(),
        "27 0.000006750 12 1w 0006 DB 20 in a,(0x20) memory in 1220=5A (card) AF=5AFF".split(),
        "39 0.000009750 5 1w 0008 76 halt memory".split(),
        "44 0.000011000 40 1w 0009 halted, 8 fetches memory".split()]


def test_a_cycle_a_line() -> None:
    chunk, setting = example()
    lines = [line.split() for line in text_of(chunk, setting, by_cycle=True)[2:]]
    assert lines[0] == "0 0.000000000 5 1w fetch 0000 3E memory ld a,0x12".split()
    assert lines[1] == "5 0.000001250 3 read 0001 12 memory AF=12FF".split()
    assert lines[6] == "24 0.000006000 3 write 4000 12 cpu".split()
    assert lines[9] == "35 0.000008750 4 in 1220 5A card AF=5AFF".split()
    assert lines[11] == "44 0.000011000 5 1w halted 0009 00 memory halted, 1 fetch".split()


def test_columns_stand_below_their_titles() -> None:
    chunk, setting = example()
    _, titles, *lines = text_of(chunk, setting)
    assert lines[0].index(" 0000 ") + 1 == titles.index("addr")
    assert lines[0].index("3E 12") == titles.index("bytes")
    assert lines[0].index("ld a") == titles.index("instruction")
    assert lines[0].index("memory") == titles.index("driver")
    assert lines[2].index("write") == titles.index("other")
    _, titles, *lines = text_of(chunk, setting, by_cycle=True)
    assert lines[0].index("fetch") == titles.index("cycle")
    assert lines[0].index("ld a") == titles.index("instruction")


def test_json_lines_say_the_same() -> None:
    chunk, setting = example()
    rows = json_of(compact(chunk), setting)
    assert rows[3] == {
        "t": 27, "seconds": 0.00000675, "length": 12, "waits": 1, "kind": "instruction",
        "address": "0006", "bytes": "DB 20", "text": "in a,(0x20)", "symbol": None,
        "source": None, "driver": "memory", "changed": {"AF": "5AFF"},
        "cycles": [{"kind": "in", "address": "1220", "data": "5A", "driver": "card"}]}
    assert rows[5]["kind"] == "halted" and rows[5]["length"] == 40
    cycles = json_of(chunk, setting, by_cycle=True)
    assert cycles[9] == {"t": 35, "seconds": 0.00000875, "length": 4, "waits": 0, "kind": "in",
                         "address": "1220", "data": "5A", "driver": "card",
                         "changed": {"AF": "5AFF"}}
    assert cycles[0]["text"] == "ld a,0x12" and "changed" not in cycles[0]


def test_several_changes_and_cycles_make_valid_json() -> None:
    """exx / ex (sp),hl / im 1 / ei: many registers at once, four transfers."""
    built = machine(bytes.fromhex("310080 d9 e3 ed56 fb 76"))
    rows = json_of(watch(built, 60), setting_of(built))
    assert set(rows[1]["changed"]) <= {"BC", "DE", "HL", "BC'", "DE'", "HL'"}
    assert len(rows[1]["changed"]) == 6  # seeded noise: all differ
    assert [c["kind"] for c in rows[2]["cycles"]] == ["read", "read", "write", "write"]
    assert rows[3]["changed"] == {"IM": "1"}
    assert rows[4]["changed"] == {"IFF1": "1", "IFF2": "1"}


def test_what_interrupts_look_like() -> None:
    """Mode 0 (rst 38h from floating pull-ups, FFh), mode 1 and NMI."""
    mode0 = machine(bytes.fromhex("310080 fb 18fe"), interrupter("card", 0x20, 0xFF, 20))
    lines = [" ".join(line.split()) for line in text_of(watch(mode0, 130), setting_of(mode0))]
    assert any("13 2w 0004 FF int mode 0: rst 0x38 card write 7FFF=00 write 7FFE=04" in line
               for line in lines), lines
    relative = machine(bytes.fromhex("310080 0602 fb 18fe"), interrupter("card", 0x20, 0x10, 20))
    lines = [" ".join(line.split()) for line in text_of(watch(relative, 60), setting_of(relative))]
    # PC stands (from memory, shared/facts/z80_im0.md 2): 0006h + 18h
    assert any("15 2w 0006 10 18 int mode 0: djnz 0x001e card" in line for line in lines), lines
    mode1 = machine(bytes.fromhex("310080 ed56 fb 18fe"), interrupter("card", 0x20, 0xFF, 20))
    lines = [" ".join(line.split()) for line in text_of(watch(mode1, 130), setting_of(mode1))]
    assert any("13 2w 0006 int mode 1 card write 7FFF=00 write 7FFE=06 SP=7FFE" in line
               for line in lines), lines
    program = machine(bytes.fromhex("310080 d321 00 76"), interrupter("card", 0x20))
    lines = [" ".join(line.split()) for line in text_of(watch(program, 40), setting_of(program))]
    assert any("11 0006 nmi memory write 7FFF=00 write 7FFE=06" in line
               for line in lines), lines


def test_prefixes_that_come_to_nothing() -> None:
    """dd dd fd 21 34 12: only FD counts; dd ed 43 00 40: DD does not; UM0080 has no DD ED."""
    built = machine(bytes.fromhex("dddd fd213412 dd00 dded430040 76"))
    chunk = watch(built, 70)
    rows = json_of(chunk, setting_of(built))
    assert [(row["bytes"], row["text"]) for row in rows[:5]] == [
        ("DD DD", "db 0xdd, 0xdd"), ("FD 21 34 12", "ld iy,0x1234"), ("DD 00", "nop"),
        ("DD ED 43 00 40", "ld (0x4000),bc"), ("76", "halt")]
    assert rows[1]["changed"] == {"IY": "1234"}


def test_a_pending_prefix_counts_for_the_next_step() -> None:
    """dd fd 21 34 12: the run is left half-way after two prefixes; FD is pending."""
    built = machine(bytes.fromhex("ddfd 213412 76"))
    rows = json_of(watch(built, 30), setting_of(built))
    assert [(row["bytes"], row["text"]) for row in rows[:2]] == [
        ("DD FD", "db 0xdd, 0xfd"), ("21 34 12", "ld iy,0x1234")]
