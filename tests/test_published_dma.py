"""The Z80 DMA against the peripherals manual (UM0081, DMA chapter) and the Z8410 data sheet.

Written down from memory, no copy was at hand: the sample program, the registers' bits, the
T-states of a byte in each mode, the status byte, the vector.
"""
from __future__ import annotations

import pytest
from dma_bench import DmaBench, block

DATA = bytes(range(1, 33))


def test_the_manuals_sample_program_moves_memory_to_a_port():
    """Memory from 1050h to port 05h, burst, RDY active high, 1000h in the length register.

    The manual programs the direction B to A first, so that LOAD takes port B's fixed address.
    """
    sample = [0x79, 0x50, 0x10, 0x00, 0x10, 0x14, 0x28, 0xC5, 0x05, 0x8A, 0xCF, 0x05, 0xCF, 0x87]
    data = bytes((k * 7) & 0xFF for k in range(0x1001))
    bench = DmaBench(sample, memory={0x1050: data}).run(40000)
    outs = bench.cycles("dma-out")
    assert len(outs) == 0x1001  # one more than the length register holds
    assert bytes(byte for _, _, byte in outs) == data
    assert {address & 0xFF for _, address, _ in outs} == {0x05}
    assert [address for _, address, _ in bench.cycles("dma-read")] == [
        0x1050 + k for k in range(0x1001)]


@pytest.mark.parametrize(("wr1", "wr2", "operation", "t_states"), [
    ([0x14], [0x10], 1, 6),  # memory to memory: read 3, write 3
    ([0x14], [0x28], 1, 7),  # memory to port: read 3, output 4
    ([0x14], [0x10], 2, 3),  # search of memory
    ([0x14], [0x10], 3, 6),  # transfer and search
    ([0x54, 0xCE], [0x50, 0xCE], 1, 4),  # two T-states a cycle (timing byte bits 1-0 = 10)
    ([0x54, 0xCD], [0x50, 0xCD], 1, 6),  # three
    ([0x54, 0xCC], [0x50, 0xCC], 1, 8),  # four
    ([0x54, 0xCE], [0x10], 2, 2),  # search with two: a byte in two T-states
    ([0x14], [0x68, 0xCE], 1, 5),  # output in two
])
def test_t_states_of_a_byte_in_burst_mode(wr1, wr2, operation, t_states):
    control = block(operation=operation, last=[0xCF, 0xB3, 0x87])
    control[5:7] = [*wr1, *wr2]
    bench = DmaBench(control, memory={0x9000: DATA}).run(900)
    times = bench.times("dma-read")
    assert len(times) == 16
    assert {b - a for a, b in zip(times, times[1:], strict=False)} == {t_states}


def test_a_burst_is_one_stay_on_the_bus():
    bench = DmaBench(block(), memory={0x9000: DATA}).run(900)
    assert bench.get(0xA000, 17) == DATA[:16] + b"\0"
    assert len(bench.times("bus-given")) == len(bench.times("bus-back")) == 1
    given, back = bench.times("bus-given")[0], bench.times("bus-back")[0]
    assert bench.times("dma-read")[0] == given + 2
    assert back == given + 2 + 16 * 6


def test_byte_mode_gives_the_bus_back_behind_each_byte():
    """/BUSREQ is high a T-state before the end of the write, whatever RDY is; the CPU runs one
    machine cycle at least before the next byte."""
    bench = DmaBench(block(0), memory={0x9000: DATA}, then="00" * 64 + "18 FE").run(1200)
    assert bench.get(0xA000, 16) == DATA[:16]
    given, back = bench.times("bus-given"), bench.times("bus-back")
    assert len(given) == len(back) == 16
    assert {b - g for g, b in zip(given, back, strict=True)} == {2 + 6 - 1}
    assert {b - a for a, b in zip(given, given[1:], strict=False)} == {2 + 6 + 1 + 4}  # NOP: 4


def test_burst_mode_lets_go_when_ready_ends_and_continuous_mode_does_not():
    """The PIO's ARDY is low while its register is free to take a byte, RDY active low."""
    for mode, stays in ((2, 16), (1, 1)):
        control = block(mode, start_b=0x50, wr2=0x28, last=[0xCF, 0x05, 0xCF, 0x87])
        control[0] = 0x79  # B to A first: LOAD takes the fixed address
        bench = DmaBench(control, memory={0x9000: DATA}, wire="ardy", first="3E 0F D3 52")
        bench.run(6000)
        assert bench.printed == DATA[:16], mode
        assert len(bench.times("bus-given")) == stays, mode


def test_status_and_counters():
    """RR0: D0 an operation has occurred, D1 = 0 ready, D3 = 0 interrupt pending, D4 = 0 match,
    D5 = 0 end of block; then counter and addresses as they stand behind the block."""
    bench = DmaBench(block(length=15), memory={0x9000: DATA}, then="""3E A7 D3 30 21 00 B0
                     01 30 07 ED B2 18 FE""".replace("\n", "")).run(1200)
    values = bench.get(0xB000, 7)
    assert values[0] & 0x3B == 0x1B  # not ready: the force has ended with the block
    assert values[1] | values[2] << 8 == 15
    assert values[3] | values[4] << 8 == 0x9010
    assert values[5] | values[6] << 8 == 0xA010


def test_the_read_mask_chooses_registers():
    bench = DmaBench(block(middle=[0xBB, 0x18]), memory={0x9000: DATA}, then="""3E A7 D3 30
                     21 00 B0 01 30 02 ED B2 18 FE""".replace("\n", "")).run(1200)
    assert bench.get(0xB000, 3) == bytes([0x10, 0x90, 0])


def test_search_finds_a_byte_under_a_mask():
    """WR3: mask byte (1 = not compared), then match byte; stop on match. DATA[9] is 0Ah."""
    bench = DmaBench(block(operation=2, middle=[0x9C, 0xF0, 0x0A]), memory={0x9000: DATA},
                     then="3E BF D3 30 DB 30 32 00 B0 18 FE").run(1000)
    assert len(bench.times("dma-read")) == 10
    assert int(bench.dma.address[0]) == 0x900A
    assert bench.get(0xB000, 1)[0] & 0x30 == 0x20  # a match, and no end of block
    assert not bench.dma.enabled


@pytest.mark.parametrize(("middle", "operation", "cause"), [
    ([], 1, 2),  # end of block: bits 2-1 of the vector 10
    ([0x9C, 0x00, 0x05], 3, 1),  # match, stopped there: 01
    ([0x9C, 0x00, 0x10], 3, 3),  # match at the last byte: 11
])
def test_status_affects_the_vector(middle, operation, cause):
    control = block(operation=operation, control=[0x33, 0x40], middle=[*middle, 0xAB])
    bench = DmaBench(control, memory={0x9000: DATA, 0x0040: b"\0\xB0" * 4}, im=2,
                     then="FB 18 FE").run(1000)
    vectors = [byte for _, _, byte in bench.cycles("acknowledge")]
    assert vectors == [0x40 | cause << 1]


def test_an_interrupt_on_ready_comes_before_the_request():
    """The handler enables the chip to go on after RETI (B7h)."""
    control = block(control=[0x50, 0x40], middle=[0xAB], last=[0xCF, 0xB3, 0x87])
    handler = bytes.fromhex("3E B7 D3 30 FB ED 4D")
    bench = DmaBench(control, memory={0x9000: DATA, 0x40: b"\0\xB0", 0xB000: handler}, im=2,
                     then="FB 18 FE").run(1400)
    assert len(bench.times("acknowledge")) == 1
    assert bench.times("acknowledge")[0] < bench.times("bus-given")[0]
    assert int(bench.m.reti_count[2]) == 1


def test_auto_restart_takes_the_start_addresses_again():
    bench = DmaBench(block(0, length=3, wr5=0xA2), memory={0x9000: DATA},
                     then="00" * 40 + "18 FE").run(700)
    assert [a for _, a, _ in bench.cycles("dma-read")][:9] == [
        0x9000 + k % 4 for k in range(9)]


def test_continue_keeps_the_addresses():
    """D3h clears the counter only: the next block follows the first."""
    bench = DmaBench(block(length=7), memory={0x9000: DATA}, then="""3E D3 D3 30 3E B3 D3 30
                     3E 87 D3 30 18 FE""".replace("\n", "")).run(1000)
    assert bench.get(0xA000, 16) == DATA[:16]
