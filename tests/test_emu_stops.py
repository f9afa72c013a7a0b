"""Stops: where a run leaves, what a hit tells, and that a stopped run is the same run.

What an instruction reads and writes and in which order is UM0080's; that a stop leaves
before or after it is our own rule, written in emu/bus/stops.py.
"""
from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from cpu_machine import ASK, Asker, Bare

from emu.bus.state import (
    AT_TIME,
    STOP_ACK,
    STOP_CHANGE,
    STOP_EXECUTE,
    STOP_FETCH,
    STOP_HIT,
    STOP_IN,
    STOP_INT,
    STOP_POP,
    STOP_PUSH,
    STOP_READ,
    STOP_REQUEST,
    STOP_VIRGIN,
    STOP_WRITE,
    STOPS,
)
from emu.bus.stops import COUNT, LAST_DATA, LAST_T, Row, arm, disarm
from emu.errors import InputError

LOOP = "21 00 80  34  C3 03 01"  # 0100 ld hl,8000h; 0103 inc (hl); 0104 jp 0103h
LONG = 100_000


def run(bare: Bare, rows: Sequence[Row], until: int = LONG) -> list[tuple[int, ...]]:
    """Arm the rows, run, and give the hits: row, T-state of the cycle, address, data."""
    m = bare.m
    arm(m, rows)
    return go_on(bare, until)


def go_on(bare: Bare, until: int = LONG) -> list[tuple[int, ...]]:
    m = bare.m
    m.hit_count = 0
    m.pass_t = m.t
    bare.machine.run(until)
    return [tuple(row) for row in np.asarray(m.hits)[:int(m.hit_count), :4].tolist()]


def test_an_execution_stop_leaves_before_the_instruction_and_lets_it_pass_once() -> None:
    bare = Bare(LOOP)
    assert run(bare, [Row(STOP_EXECUTE, 0x103, 0x103)]) == [(0, 10, 0x103, 0x34)]
    assert (bare.pc, int(bare.m.t), bare.byte(0x8000)) == (0x103, 10, 0)
    assert go_on(bare) == [(0, 31, 0x103, 0x34)]  # 11 + 10 T-states, UM0080 p.163 and p.262
    assert (bare.pc, bare.byte(0x8000)) == (0x103, 1)


def test_a_stop_changes_nothing_in_the_run() -> None:
    free, stopped = (Bare("FB 00 ED 5F 37 3F " + "C3 00 01", pc=0x100) for _ in range(2))
    free.machine.run(500)
    arm(stopped.m, [Row(STOP_EXECUTE, a, a) for a in range(0x100, 0x109)])
    while stopped.m.t < 500:
        stopped.m.pass_t = stopped.m.t
        stopped.machine.run(500)
    names = ("pc", "sp", "iff1", "wz", "t", "a", "f", "r", "after_ei")
    assert stopped.get(*names) == free.get(*names)
    assert int(stopped.m.instructions) == int(free.m.instructions)
    assert int(stopped.m.q) == int(free.m.q)


def test_the_instruction_behind_ei_keeps_its_shelter_when_a_stop_stands_before_it() -> None:
    """UM0080 p.18: after EI one more instruction runs before a maskable interrupt."""
    bare = Bare("FB 00 00", askers=[Asker(at=[(1, ASK)])], im=1, sp=0x9000)
    assert run(bare, [Row(STOP_EXECUTE, 0x101, 0x101)])[0][2] == 0x101
    bare.machine.run(int(bare.m.t) + 1)
    assert bare.pc == 0x101, "without pass_t the stop still stands there"
    bare.m.pass_t = bare.m.t
    disarm(bare.m)
    bare.machine.run(int(bare.m.t) + 1)
    assert bare.pc == 0x102
    bare.machine.run(int(bare.m.t) + 1)
    assert bare.pc == 0x38


def test_memory_stops_tell_reads_writes_and_changes_apart() -> None:
    code = "3E 05 32 00 80 3A 00 80 32 00 80 18 FE"  # ld a,5; write; read; write the same
    bare = Bare(code)
    rows = [Row(STOP_READ, 0x8000, 0x8000), Row(STOP_WRITE, 0x8000, 0x8000),
            Row(STOP_CHANGE, 0x8000, 0x8000)]
    assert [hit[0] for hit in run(bare, rows)] == [1, 2]
    assert bare.pc == 0x105, "a memory stop leaves behind the instruction"
    assert [hit[0] for hit in go_on(bare)] == [0]
    assert [hit[0] for hit in go_on(bare)] == [1]
    assert go_on(bare, int(bare.m.t) + 100) == [] and int(bare.m.exit_reason) == AT_TIME


def test_values_are_compared_under_a_mask() -> None:
    bare = Bare(LOOP)
    hits = run(bare, [Row(STOP_WRITE, 0x8000, 0x8000, 0xF0, 0x20)])
    assert [hit[3] for hit in hits] == [0x20]
    assert bare.byte(0x8000) == 0x20


def test_a_quiet_row_notes_its_last_hit_and_lets_the_run_go_on() -> None:
    bare = Bare(LOOP)
    arm(bare.m, [Row(STOP_WRITE, 0x8000, 0x8000, quiet=True)])
    bare.machine.run(10 + 21 * 50)
    assert int(bare.m.exit_reason) == AT_TIME and int(bare.m.hit_count) == 0
    row = bare.m.stops[0]
    assert (row[COUNT], row[LAST_DATA], row[LAST_T]) == (50, 50, 10 + 21 * 49 + 8)


def test_a_place_in_physical_memory_tells_pages_apart() -> None:
    bare = Bare(LOOP)
    base = int(bare.m.read_base_true[8])
    assert run(bare, [Row(STOP_WRITE, place=(base + 1, base + 1))], 500) == []
    assert run(bare, [Row(STOP_WRITE, place=(base, base))])[0][2] == 0x8000


def test_stack_stops_see_pushes_and_pops_but_not_other_accesses() -> None:
    bare = Bare("32 FE 8F  C5 C1  32 00 90 C5", sp=0x9000)  # ld (8ffe),a; push bc; pop bc ...
    outside = [Row(STOP_PUSH, 0, 0x8FFF), Row(STOP_POP, 0x9000, 0x903F)]
    hits = run(bare, outside)
    assert [hit[2] for hit in hits] == [0x8FFF, 0x8FFE] and bare.pc == 0x104
    bare.set(sp=0x9000, pc=0x104)
    assert [hit[2] for hit in go_on(bare)] == [0x9000, 0x9001]


def test_virgin_memory_stops_where_the_map_says_so() -> None:
    bare = Bare("00 00 00")
    arm(bare.m, [Row(STOP_VIRGIN)])
    base = int(bare.m.write_base_true[0])
    bare.m.untouched[base + 0x102:base + 0x1000] = 1
    assert go_on(bare)[0][2] == 0x102 and bare.pc == 0x102


def test_interrupt_request_response_and_vector_are_stops_of_their_own() -> None:
    askers = [Asker(supply=[0x40], at=[(9, ASK)])]
    rows = {STOP_REQUEST: 0, STOP_INT: 0x103, STOP_ACK: 0x40}
    for kind, told in rows.items():
        bare = Bare("FB 00 00 00 00 00", askers=askers, im=2, i=0x20, sp=0x9000)
        hits = run(bare, [Row(kind)])
        assert [hit[2] for hit in hits] == [told], kind


def test_port_stops_look_at_the_low_half_of_the_address() -> None:
    bare = Bare("01 99 12 ED 78")  # ld bc,1299h; in a,(c)
    assert run(bare, [Row(STOP_IN, 0x99, 0x99)])[0][2:] == (0x99, 0xFF)


def test_the_second_byte_of_a_prefixed_instruction_is_no_place_to_execute() -> None:
    bare = Bare("DD 23 CB 00 00 18 FE")
    assert run(bare, [Row(STOP_EXECUTE, 0x101, 0x101)], 200) == []
    assert run(Bare("DD 23"), [Row(STOP_FETCH, 0x101, 0x101)])[0][2] == 0x101


def test_a_restored_machine_keeps_the_stops_that_are_armed_now() -> None:
    bare = Bare(LOOP)
    start = bare.machine.snapshot()
    arm(bare.m, [Row(STOP_EXECUTE, 0x103, 0x103)])
    bare.machine.restore(start)
    assert go_on(bare)[0][2] == 0x103
    disarm(bare.m)
    bare.machine.restore(start)
    bare.machine.run(200)
    assert int(bare.m.exit_reason) == AT_TIME != STOP_HIT


def test_too_many_stops_are_refused() -> None:
    with pytest.raises(InputError, match=f"more than {STOPS} stops at a time; take some out"):
        arm(Bare("00").m, [Row(STOP_IN)] * (STOPS + 1))
