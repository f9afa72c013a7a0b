"""The Z80 DMA card: bytes that follow, commands, ready, waits, words, troubles, random blocks."""
from __future__ import annotations

import random

import numpy as np
import pytest
from card_bench import Bench
from dma_bench import DmaBench, block

from peripherals import z80_dma_engine
from peripherals.z80_dma import CARD

DATA = bytes(range(1, 65))


def programmed(*control):
    """A card on a bare record that has been given these bytes."""
    bench = Bench(CARD)
    for byte in control:
        bench.write("control", byte)
    return bench, bench.states[0]


# --- registers ----------------------------------------------------------------------------
def test_bytes_follow_in_the_order_of_their_bits():
    _, s = programmed(0x79, 0x34, 0x12, 0x78, 0x56, 0x54, 0x8E, 0x68, 0xCD, 0x98, 0xF0, 0x41,
                      0xDD, 0xBC, 0x9A, 0x1C, 0x7F, 0x20, 0xBA)
    assert s.start.tolist() == [0x1234, 0x9ABC]
    assert (int(s.length), int(s.mask), int(s.match)) == (0x5678, 0xF0, 0x41)
    assert s.timing.tolist() == [0x8E, 0xCD]
    assert (int(s.control), int(s.pulse), int(s.vector)) == (0x1C, 0x7F, 0x20)
    assert s.io.tolist() == [0, 1] and s.step.tolist() == [1, 0]
    assert (int(s.wr4) >> 5 & 3, int(s.wr5), int(s.follows)) == (2, 0xBA, 0)


@pytest.mark.parametrize(("bits", "step"), [(0x00, -1), (0x10, 1), (0x20, 0), (0x30, 0)])
def test_the_ways_that_an_address_counts(bits, step):
    _, s = programmed(0x04 | bits, 0x00 | bits)
    assert s.step.tolist() == [step, step]


def test_a_reset_command_is_data_while_bytes_follow():
    """So a program sends C3h six times: the most that can follow is one less (WR0, then WR4)."""
    _, s = programmed(0x79, 0xC3, 0xC3, 0xC3, 0xC3, 0x8A)
    assert int(s.start[0]) == 0xC3C3 and int(s.length) == 0xC3C3
    assert int(s.wr5) == 0x8A


def test_reset_takes_back_timing_interrupts_restart_and_the_force():
    _, s = programmed(0x54, 0x8E, 0xB2, 0xAB, 0xB3, 0xC3)
    assert s.timing.tolist() == [-1, -1]
    assert int(s.wr5) == 0x82
    assert not s.interrupts and not s.forced


def test_timing_is_reset_port_by_port():
    _, s = programmed(0x54, 0x8E, 0x50, 0x8D, 0xC7)
    assert s.timing.tolist() == [-1, 0x8D]
    _, s = programmed(0x54, 0x8E, 0x50, 0x8D, 0xCB)
    assert s.timing.tolist() == [0x8E, -1]


def test_any_byte_but_enable_disables():
    for byte, enabled in ((0x87, 1), (0xC0, 1), (0x80, 0), (0x83, 0), (0xBF, 0), (0x14, 0)):
        _, s = programmed(0x87, byte)
        assert int(s.enabled) == enabled, hex(byte)


def test_load_takes_the_source_and_a_destination_that_counts():
    setup = [0x7D, 0x00, 0x90, 0x0F, 0x00, 0x14]
    _, s = programmed(*setup, 0x10, 0x8D, 0x00, 0xA0, 0xCF)
    assert s.address.tolist() == [0x9000, 0xA000]
    _, s = programmed(*setup, 0x20, 0x8D, 0x00, 0xA0, 0xCF)  # B fixed
    assert int(s.address[0]) == 0x9000 and int(s.address[1]) != 0xA000


def test_load_ends_the_force():
    _, s = programmed(0xB3, 0xCF)
    assert not s.forced


def test_the_status_is_read_once_and_the_sequence_goes_on():
    bench, s = programmed(0xBB, 0x06, 0xA7)
    s.moved = 0x1235
    assert bench.read("control") == 0x34
    bench.write("control", 0xBF)
    assert bench.read("control") & 0x01 == 0
    assert bench.read("control") == 0x12
    assert bench.read("control") == 0x34


def test_reinitialize_status_clears_match_and_end():
    bench, s = programmed(0xBF)
    s.found = s.ended = 1
    assert bench.read("control") & 0x30 == 0
    bench.write("control", 0x8B)
    bench.write("control", 0xBF)
    assert bench.read("control") & 0x30 == 0x30


# --- on the bus -----------------------------------------------------------------------------
@pytest.mark.parametrize(("level", "wr5", "goes"), [(1, 0x8A, True), (0, 0x82, True),
                                                     (0, 0x8A, False), (1, 0x82, False)])
def test_ready_has_the_level_that_wr5_says(level, wr5, goes):
    bench = DmaBench(block(wr5=wr5, last=[0xCF, 0x87]), rdy=level, memory={0x9000: DATA})
    assert bool(bench.run(900).cycles("dma-read")) is goes


def test_ready_that_comes_later_starts_it():
    late = "3E 01 D3 40 18 FE"
    bench = DmaBench(block(wr5=0x8A, last=[0xCF, 0x87]), rdy=0, memory={0x9000: DATA}, then=late)
    bench.run(1200)
    assert bench.get(0xA000, 16) == DATA[:16]
    write = [t for t, address, _ in bench.cycles("out") if address & 0xFF == 0x40][-1]
    asked = write + 3 + 2  # seen at T3, looked at with the next edge, /BUSREQ with the one behind
    assert asked + 2 <= bench.times("bus-given")[0] <= asked + 2 + 12


def test_blocks_count_down_too():
    bench = DmaBench(block(start_a=0x900F, start_b=0xA00F, wr1=0x04, wr2=0x00),
                     memory={0x9000: DATA}).run(900)
    assert bench.get(0xA000, 17) == DATA[:16] + b"\0"


def test_a_port_can_be_the_source():
    """From the latch's inputs to memory, port B to port A."""
    control = [0x79, 0x00, 0xA0, 0x03, 0x00, 0x14, 0x28, 0xCD, 0x40, 0x00, 0x82, 0xCF, 0xB3, 0x87]
    bench = DmaBench(control).run(900)
    assert [a for _, a, _ in bench.cycles("dma-in")] == [0x40] * 4
    assert bench.get(0xA000, 4) == bytes(b for _, _, b in bench.cycles("dma-in"))


def test_waits_lengthen_cycles_where_ce_wait_is_both():
    """WR5 D4 and the jumper: without either the chip does not see /WAIT."""
    for wr5, jumper, length in ((0x82, True, 6), (0x92, True, 8), (0x92, False, 6)):
        bench = DmaBench(block(wr5=wr5), memory={0x9000: DATA}, ram_waits=1,
                         settings={"wait": jumper}).run(1400)
        times = bench.times("dma-read")
        assert times[1] - times[0] == length, (wr5, jumper)


def test_a_pulse_each_256_bytes(monkeypatch):
    """When the counter's low byte is the pulse control byte."""
    bench, s = programmed(*block(length=0x3FF, control=[0x0C, 0x10]))
    seen = []
    monkeypatch.setattr(z80_dma_engine, "drive_pulse",
                        lambda m, slot, output, when: seen.append(int(s.moved) - 1))
    while not z80_dma_engine.count(bench.m, s):
        pass
    assert seen == [0x010, 0x110, 0x210, 0x310]


def test_a_block_length_of_zero_moves_65537_bytes():
    bench = DmaBench(block(length=0))
    bench.machine.run(65537 * 6 + 2000)
    assert int(bench.dma.bytes) == 65537
    assert int(bench.dma.ended) == 1


def test_interrupts_wait_for_the_bus():
    """The PIO's requests and the CPU stand while a burst of 4096 bytes goes on."""
    bench = DmaBench(block(length=4095)).run(30000)
    given, back = bench.times("bus-given")[0], bench.times("bus-back")[0]
    assert not [t for t, kind, *_ in bench.log if given <= t < back
                and not kind.startswith(("dma", "bus"))]


def test_it_repeats_to_the_t_state_from_a_snapshot():
    bench = DmaBench(block(0, length=40), memory={0x9000: DATA}, then="34 23 18 FC")
    bench.machine.run(600)
    saved = bench.machine.snapshot()
    bench.machine.run(3000)
    end = bench.machine.snapshot()
    bench.machine.restore(saved)
    while bench.m.t < 3000:
        bench.machine.run(int(bench.m.t) + 1)
    again = bench.machine.snapshot()
    assert again.t == end.t
    assert (again.memory == end.memory).all()
    assert bench.describe()


def naive(data, source, target, step_a, step_b, count):
    """Move bytes one by one, as a program would."""
    memory = bytearray(data)
    for _ in range(count):
        memory[target & 0xFFFF] = memory[source & 0xFFFF]
        source, target = source + step_a, target + step_b
    return bytes(memory)


@pytest.mark.parametrize("seed", range(12))
def test_random_blocks_end_as_a_naive_copy_does(seed):
    dice = random.Random(seed)
    ways = {0x00: -1, 0x10: 1}
    way_a, way_b = dice.choice([*ways]), dice.choice([*ways])
    source, target = 0xA000 + dice.randrange(0x100), 0xA000 + dice.randrange(0x100)
    count = dice.randrange(2, 120)
    mode = dice.randrange(3)
    code = [dice.choice(["34", "23", "DD 34 05", "ED A0", "C5 C1", "E3", "3A 00 80"])
            for _ in range(200)]
    noise = bytes(dice.randrange(256) for _ in range(0x400))
    bench = DmaBench(
        block(mode, start_a=source, start_b=target, length=count - 1, wr1=0x04 | way_a,
              wr2=way_b), memory={0x9F00: noise},
        then="21 00 C0 11 00 D0 DD 21 00 C1" + " ".join(code) + "18 FE")
    bench.m.sp = 0xE000
    before = bytearray(bench.m.phys[:65536])
    start = bench.machine.snapshot()
    bench.machine.run(16000)
    free = bench.machine.snapshot()
    assert int(bench.dma.bytes) == count
    moved = naive(before, source, target, ways[way_a], ways[way_b], count)
    assert bytes(bench.m.phys[0x9E00:0xA400]) == moved[0x9E00:0xA400]
    bench.machine.restore(start)
    bench.machine.log(True)
    while bench.m.t < 16000:
        bench.machine.run(min(int(bench.m.t) + dice.randrange(1, 30), 16000))
    sliced = bench.machine.snapshot()
    assert sliced.t == free.t
    assert np.array_equal(sliced.memory, free.memory)


# --- words and troubles -----------------------------------------------------------------------
def test_it_tells_in_words():
    bench = DmaBench(block(), memory={0x9000: DATA}).run(900)
    words = bench.describe()
    assert "disabled; transfer, A to B, burst; 16 bytes of a block of 16 moved" in words
    assert "port A: memory 9010h, counting up" in words
    assert "end of block reached" in words
    assert bench.codes() == []


def test_memory_to_memory_without_force_ready():
    bench = DmaBench(block(last=[0xCF, 0x87]), rdy=None).run(900)
    assert bench.codes() == ["dma-not-forced"]


def test_a_device_that_is_never_ready():
    bench = DmaBench(block(wr5=0x8A, last=[0xCF, 0x87]), rdy=0).run(900)
    assert bench.codes() == ["dma-never-ready"]


def test_a_forgotten_load():
    bench = DmaBench(block(last=[0xB3, 0x87])).run(900)
    assert "dma-not-loaded" in bench.codes()


def test_a_fixed_destination_that_load_left_alone():
    bench = DmaBench(block(wr2=0x28, start_b=0x50)).run(900)
    assert bench.codes() == ["dma-fixed-destination"]


def test_a_vector_that_nobody_wrote():
    bench = DmaBench(block(control=[0x02], middle=[0xAB]), then="FB 18 FE", im=2).run(900)
    assert bench.codes() == ["dma-no-vector"]


def test_continuous_mode_that_keeps_the_bus():
    """The chip's own second byte turns RDY off, at the latch."""
    control = block(1, start_b=0x40, wr2=0x28, wr5=0x8A, last=[0xCF, 0x05, 0xCF, 0x87])
    control[0] = 0x79
    bench = DmaBench(control, memory={0x9000: b"\x01\x00"}).run(20000)
    assert bench.codes() == ["dma-holds-bus"]
    assert int(bench.m.bus_owner) == 3 and int(bench.dma.moved) == 2
    stands = int(bench.m.pc)
    bench.machine.run(400000)
    assert int(bench.m.pc) == stands and int(bench.m.t) == 400000
