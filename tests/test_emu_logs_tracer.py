"""The tracer: the same run as without it, and what it saw of registers and lines."""
from __future__ import annotations

import numpy as np
import pytest
from trace_bench import interrupter, machine, place

from emu.bus.state import ACK, FETCH, HEAD, MACHINE, READ, WRITE
from emu.logs.edges import LINE_IEI, LINE_IEO, LINE_INT, LINE_NMI
from emu.logs.kinds import IDLE, INSTRUCTION, INTERRUPT, NMI, PC, REGISTERS, SP
from emu.logs.tracer import Tracer, watch

# ld sp,8000h / ld a,40h / ld i,a / im 2 / ei / loop: inc hl / jr loop
LOOP = bytes.fromhex("310080 3e40 ed47 ed5e fb 23 18fd")
HANDLER = bytes.fromhex("fb ed4d")  # ei / reti
UNSEEN = ("log", "log_pos", "log_limit", "logging", "log_only", "slow_read", "slow_write",
          "read_base", "write_base", "exit_reason", "uid", "card_functions", "t_stop", "next_event",
          "bus_driver", "bus_byte")


def chained(period: int = 1000) -> object:
    built = machine(LOOP, interrupter("near", 0x20, 0x10),
                    interrupter("far", 0x30, 0x20, period), chain=("near", "far"))
    place(built, 0x4020, bytes.fromhex("0050"))
    place(built, 0x5000, HANDLER)
    return built


def test_tracing_does_not_change_the_run() -> None:
    """Property: no card or CPU state depends on how the run was cut (DESIGN: determinism)."""
    plain, traced = chained(), chained()
    plain.run(50_000)
    watch(traced, 50_000)
    for name in MACHINE.names:
        if name not in UNSEEN and MACHINE.fields[name][1] < HEAD:
            same = np.array_equal(plain.record[name], traced.record[name])
            assert same, f"{name}: {plain.record[name]} without, {traced.record[name]} with"


def test_registers_before_and_after_each_instruction() -> None:
    chunk = watch(machine(bytes.fromhex("013412 04 d9 dd210080 76")), 60)
    names = [dict(zip(REGISTERS, row, strict=True)) for row in chunk.registers.tolist()]
    assert [row["BC"] for row in names[1:3]] == [0x1234, 0x1334]
    assert names[3]["BC'"] == 0x1334
    assert names[4]["IX"] == 0x8000
    assert chunk.t[:5].tolist() == [0, 10, 14, 18, 32]  # UM0080: 10, 4, 4, 14 T-states
    assert chunk.kind.tolist()[:7] == [INSTRUCTION] * 5 + [IDLE] * 2


def test_an_interrupt_response_is_a_record_of_its_own() -> None:
    """UM0080 p.12-19: mode 2 takes 19 T-states: 7, 3, 3, 3, 3."""
    chunk = watch(chained(), 1200)
    at = int(np.flatnonzero(chunk.kind == INTERRUPT)[0])
    own = chunk.cycles[chunk.first[at]:chunk.first[at + 1]]
    assert own["kind"].tolist() == [ACK, WRITE, WRITE, READ, READ]
    assert chunk.t[at + 1] - chunk.t[at] == 19
    assert chunk.registers[at + 1, PC] == 0x5000
    assert chunk.registers[at, SP] - chunk.registers[at + 1, SP] == 2
    assert chunk.control[at] >> 20 & 1 == 1 and chunk.control[at + 1] >> 20 & 1 == 0
    assert chunk.cycles["kind"][chunk.first[at + 1]] == FETCH


def edges_of(chunk: object, line: int) -> list[tuple[float, int]]:
    return [(when / 2, level) for when, number, level in chunk.edges.tolist() if number == line]


def test_int_falls_at_the_event_and_rises_in_the_acknowledge() -> None:
    """The card's event is at T-state 1000; IORQ falls 2.5 T-states into the acknowledge
    cycle (UM0080, interrupt request/acknowledge cycle)."""
    chunk = watch(chained(), 1200)
    at = int(np.flatnonzero(chunk.kind == INTERRUPT)[0])
    assert edges_of(chunk, LINE_INT) == [(1000, 0), (chunk.t[at] + 2.5, 1)]


def test_ieo_rises_when_the_card_has_read_reti() -> None:
    """The card keeps IEO low from its request (UM0081) to RETI's second byte."""
    chunk = watch(chained(), 1300)
    second = int(np.flatnonzero(chunk.cycles["data"] == 0x4D)[0])
    assert chunk.cycles["kind"][second] == FETCH
    assert edges_of(chunk, LINE_IEO + 3) == [(1000, 0), (chunk.cycles["t"][second] + 2, 1)]
    assert edges_of(chunk, LINE_IEI + 3) == []
    assert edges_of(chunk, LINE_IEO + 2) == []


def test_an_access_moves_the_chain_at_its_third_t_state() -> None:
    """out (20h),a asks; the far card's IEI falls at T3 of the I/O cycle: 7 + 3 T-states
    after the instruction's start, with one wait state 8 + 3."""
    program = bytes.fromhex("d320 18fe")
    built = machine(program, interrupter("near", 0x20, waits_io=1),
                    interrupter("far", 0x30), chain=("near", "far"))
    chunk = watch(built, 40)
    assert edges_of(chunk, LINE_INT) == [(11, 0)]
    assert edges_of(chunk, LINE_IEI + 3) == [(11, 0)]


def test_an_event_before_an_access_in_one_instruction_is_seen() -> None:
    """The request of T-state 8 is taken back by in a,(31h) at T-state 10."""
    program = bytes.fromhex("db31 18fe")
    chunk = watch(machine(program, interrupter("far", 0x30, period=8)), 12)
    assert edges_of(chunk, LINE_INT)[:2] == [(8, 0), (10, 1)]


def test_nmi() -> None:
    """UM0080: the response takes 11 T-states and goes to 0066h."""
    program = bytes.fromhex("310080 d321 00 00 76")
    chunk = watch(machine(program, interrupter("card", 0x20)), 60)
    at = int(np.flatnonzero(chunk.kind == NMI)[0])
    assert chunk.t[at + 1] - chunk.t[at] == 11
    assert chunk.registers[at + 1, PC] == 0x66
    # the write takes effect as its strobe ends, one T-state behind the access
    assert edges_of(chunk, LINE_NMI) == [(10 + 11, 0), (float(chunk.t[at]), 1)]


def test_a_late_edge_lands_in_the_chunk_of_its_time() -> None:
    """The event of T-state 1000 falls inside the last instruction of a chunk."""
    whole = watch(chained(), 3000)
    chunks: list[object] = []
    tracer = Tracer(chained(), chunks.append)
    while tracer.machine.m.t < 3000:
        tracer.run(int(tracer.machine.m.t) + 1)
        tracer.flush()
    tracer.close()
    assert len(chunks) > 200
    assert [e for c in chunks for e in c.edges.tolist()] == whole.edges.tolist()
    for chunk in chunks:
        assert all(e >= 2 * chunk.t[0] for e in chunk.edges[:, 0])


@pytest.mark.parametrize("end", [100, 20_000, 400_000])
def test_every_cycle_is_seen_once(end: int) -> None:
    """Chunks join without a gap over several fillings of the ring."""
    plain = chained()
    plain.log(True)
    plain.run(end)
    chunk = watch(chained(), end)
    assert len(chunk.cycles) == int(plain.m.log_pos)
    assert chunk.t[-1] == plain.m.t
    assert (np.diff(chunk.cycles["t"]) >= 3).all()
    assert chunk.first[-1] == len(chunk.cycles)


def test_an_event_of_one_card_during_an_access_to_another_keeps_its_time() -> None:
    """in a,(20h) reads at T-state 10; the far card's request is of T-state 8, and the near
    one's chain does not move."""
    program = bytes.fromhex("db20 18fe")
    built = machine(program, interrupter("near", 0x20), interrupter("far", 0x30, period=8),
                    interrupter("last", 0x40), chain=("near", "far", "last"))
    chunk = watch(built, 12)
    assert edges_of(chunk, LINE_INT) == [(8, 0)]
    assert edges_of(chunk, LINE_IEO + 3) == [(8, 0)]
    assert edges_of(chunk, LINE_IEI + 4) == [(8, 0)]
    assert edges_of(chunk, LINE_IEO + 4) == [(8, 0)]
    assert edges_of(chunk, LINE_IEO + 2) == []


def test_an_access_and_an_event_in_one_instruction_have_times_of_their_own() -> None:
    """out (20h),a asks at T-state 10; the far card's request is of T-state 8."""
    built = machine(bytes.fromhex("d320 18fe"), interrupter("near", 0x20),
                    interrupter("far", 0x30, period=8), chain=("near", "far"))
    chunk = watch(built, 12)
    assert edges_of(chunk, LINE_INT) == [(8, 0)]
    assert edges_of(chunk, LINE_IEO + 2) == [(10, 0)]
    assert edges_of(chunk, LINE_IEO + 3) == [(8, 0)]
    assert edges_of(chunk, LINE_IEI + 3) == [(10, 0)]


def test_a_handler_that_reads_a_card_at_once_does_not_move_the_acknowledge() -> None:
    """/INT rises with the response, not with in a,(20h) at 0038h behind it."""
    program = bytes.fromhex("310080 ed56 fb 18fe")
    built = machine(program, interrupter("near", 0x20), interrupter("far", 0x30, period=60),
                    chain=("near", "far"))
    place(built, 0x38, bytes.fromhex("db20 18fe"))
    chunk = watch(built, 110)
    at = int(np.flatnonzero(chunk.kind == INTERRUPT)[0])
    assert edges_of(chunk, LINE_INT)[:2] == [(60, 0), (chunk.t[at] + 2.5, 1)]
