"""The flash chip inside a machine's map: who answers when, strays, RESET, machine code."""
from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from card_bench import Bench
from memory_bench import erase_sector, opcode, peek, poke, program, unlock

from emu.bus.state import CALL, FAR, STOP_HIT, STOP_ROM_WRITE
from emu.bus.stops import Row, arm
from peripherals.banked_memory import CARD

FLAT = {"window-size": 32768, "ram-page": 0x40}


@pytest.fixture
def bench() -> Bench:
    """Give a blank chip at 4 MHz that both windows show."""
    return Bench(CARD, FLAT, hz="4 MHz")


def test_plain_memory_answers_while_the_chip_is_quiet(bench: Bench) -> None:
    assert int(bench.m.read_base[0]) == int(bench.m.mem_base[0])
    start = program(bench, 0x100, 0x55)
    assert set(bench.m.read_base.tolist()) == {CALL}
    assert int(bench.m.event_t[0]) == start + 56
    bench.advance(start + 56)
    assert int(bench.m.read_base[0]) == int(bench.m.mem_base[0])
    assert int(bench.m.event_t[0]) == FAR


def test_a_read_ends_an_operation_that_is_over(bench: Bench) -> None:
    """Reads within one instruction come before the card's event is looked at."""
    start = program(bench, 0x100, 0x55)
    bench.m.t = start + 56
    assert peek(bench, 0x100) == 0x55
    assert int(bench.m.read_base[0]) >= 0


def test_every_read_flips_dq6_wherever_it_goes(bench: Bench) -> None:
    start = program(bench, 0x100, 0xFF)
    first = [peek(bench, a) & 0x40 for a in (0x100, 0x7000, 0xFFFF, 0)]
    assert first == [0x40, 0, 0x40, 0]
    fetched = [opcode(bench) & 0x40 for _ in range(2)]  # opcode fetches too
    assert fetched == [0x40, 0]
    assert bench.t < start + 56


def test_busy_chip_takes_no_writes(bench: Bench) -> None:
    start = program(bench, 0x100, 0x55)
    poke(bench, 0x5555, 0xAA)
    poke(bench, 0x200, 0x00)
    bench.advance(start + 100)
    assert peek(bench, 0x200) == 0xFF
    assert int(bench.s.flash.stray) == 2
    start = program(bench, 0x200, 0x11)  # and it begins anew afterwards
    assert peek(bench, 0x200, start + 60) == 0x11


@pytest.mark.parametrize("broken", [
    [(0x5555, 0xAA), (0x2AAA, 0x54)],
    [(0x5555, 0xAA), (0x2AAB, 0x55)],
    [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0xB0)],
    [(0x5555, 0xAA), (0x2AAA, 0x55), (0x1234, 0xA0)],
    [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0x80), (0x5555, 0xAB)],
    [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0x80), (0x5555, 0xAA), (0x2AAA, 0x55),
     (0x1234, 0x10)],
])
def test_a_wrong_byte_drops_back_to_reading(bench: Bench, broken: Any) -> None:
    """From memory."""
    for address, value in broken:
        poke(bench, address, value)
    assert (int(bench.s.flash.stray), int(bench.m.rom_writes)) == (1, 1)
    poke(bench, 0x300, 0x00)  # would be programmed if A0h had counted
    assert peek(bench, 0x300) == 0xFF
    start = program(bench, 0x300, 0x7E)
    assert peek(bench, 0x300, start + 60) == 0x7E


def test_a_command_leaves_no_trace_in_the_counters(bench: Bench) -> None:
    start = program(bench, 0x100, 0x12)
    bench.advance(start + 100)
    erase_sector(bench, 0x100)
    assert (int(bench.s.flash.stray), int(bench.m.rom_writes)) == (0, 0)
    bench.advance(bench.t + 10**6)
    assert peek(bench, 0x100) == 0xFF
    assert "flash: 1 bytes programmed, 1 erases" in bench.words()


def test_stray_write_stops_a_run_that_watches_rom(bench: Bench) -> None:
    m = bench.m
    arm(m, [Row(STOP_ROM_WRITE)])
    unlock(bench, 0xF0)
    assert int(m.exit_reason) == 0
    poke(bench, 0x4321, 9)
    assert int(m.exit_reason) == STOP_HIT


def test_id_mode_only_takes_the_way_out(bench: Bench) -> None:
    """From memory."""
    unlock(bench, 0x90)
    program(bench, 0x100, 0)
    assert peek(bench, 0x100) == 0xBF
    assert "flash is in ID mode: reads give its codes" in bench.words()
    poke(bench, 0, 0xF0)
    assert peek(bench, 0x100) == 0xFF


def test_reset_does_not_reach_the_chip(bench: Bench) -> None:
    """The 39SF0x0 has no reset pin (S71147, pin list): an erase goes on."""
    program(bench, 0x100, 0)
    bench.advance(bench.t + 100)
    start = erase_sector(bench, 0x100)
    bench.reset(t=start + 1000)
    assert peek(bench, 0x100) & 0x80 == 0
    bench.advance(start + 72_000)
    assert peek(bench, 0x100) == 0xFF
    assert int(bench.m.read_base[0]) >= 0


def test_words_say_what_it_is_doing(bench: Bench) -> None:
    erase_sector(bench, 0x100)
    assert bench.words()[-2].startswith("flash is erasing a sector for 719")
    assert bench.words()[-2].endswith("T-states more: reads give status bits")


def test_slicing_and_machine_code_change_nothing() -> None:
    benches = [Bench(CARD, FLAT, hz="4 MHz", native=n) for n in (False, False, True)]
    logs: list[list[int]] = [[], [], []]
    for k, bench in enumerate(benches):
        script, cuts = np.random.default_rng(9), np.random.default_rng(k)
        for _ in range(120):
            address, value = int(script.integers(0x8000)), int(script.integers(256))
            act, wait = int(script.integers(4)), int(script.integers(1, 200))
            if act == 0:
                program(bench, address, value)
            elif act == 1:
                unlock(bench, int(script.choice([0x90, 0xF0, 0x80])))
            elif act == 2:
                poke(bench, address, value)
            logs[k] += [peek(bench, address), peek(bench, 0x10)]
            until = bench.t + wait
            for cut in sorted(int(c) for c in cuts.integers(bench.t, until, 3 * k)):
                bench.advance(cut, at_once=True)
            bench.advance(until)
    assert len(set(logs[0])) > 5
    assert logs[0] == logs[1] == logs[2]
    assert benches[0].s.tobytes() == benches[1].s.tobytes() == benches[2].s.tobytes()
    assert bytes(benches[0].m.phys[:0x80000]) == bytes(benches[2].m.phys[:0x80000])
