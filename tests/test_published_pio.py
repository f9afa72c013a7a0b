"""The Z80 PIO against the Z80 peripherals manual (UM0081) and the older technical manual (TM)."""
from __future__ import annotations

from card_bench import Bench

from peripherals import parallel_latch
from peripherals.z80_pio import CARD


def bench() -> Bench:
    wires = tuple((1, f"q{k}", 0, f"a{k}") for k in range(8))
    return Bench(CARD, also=[(parallel_latch.CARD, {})], wires=wires)


def asked(b: Bench) -> bool:
    """Whether /INT is low; if so, the whole service."""
    low = b.int_line == 1
    if low:
        b.ack()
        b.reti()
    return low


def drive(b: Bench, value: int) -> None:
    b.write("outputs", value, b.t + 10, slot=1)


def mode_3(b: Bench, *control: int) -> None:
    for byte in (0xCF, 0xFF, *control):
        b.write("control-a", byte, b.t + 11)


def test_state_after_reset() -> None:
    b = bench()
    for k in range(2):  # TM p.114: mode 1, masks inhibit all, RDY low, outputs cleared, no enables
        p = b.s.port[k]
        assert (p.mode, p.mask, p.rdy, p.out, p.control) == (1, 0xFF, 0, 0, 0)
    vector = int(b.s.port[0].vector)
    b.write("control-a", 0x4C)
    assert vector != 0x4C
    b.reset()
    assert b.s.port[0].vector == 0x4C  # TM p.114: vectors are not changed


def test_the_vector_is_the_programmed_byte() -> None:
    b = bench()  # UM0081 p.208: on acknowledge exactly the programmed byte, bit 0 = 0
    b.write("control-a", 0x9A)
    mode_3(b, 0xB7, 0xFE)
    drive(b, 0x00)
    drive(b, 0x01)
    assert b.ack() == 0x9A


def test_mode_3_or_asks_only_when_the_result_becomes_true() -> None:
    b = bench()  # UM0081 p.216
    drive(b, 0x00)
    mode_3(b, 0xB7, 0xFC)  # on, OR, high active, bits 0 and 1 watched
    assert not asked(b)
    drive(b, 0x01)
    assert asked(b)
    drive(b, 0x03)  # a second active line under OR gives no new interrupt
    assert not asked(b)
    drive(b, 0x02)
    assert not asked(b)
    drive(b, 0x00)
    drive(b, 0x01)
    assert asked(b)
    drive(b, 0xFC)  # lines that are not watched
    drive(b, 0x00)
    assert not asked(b)


def test_mode_3_and_low_active() -> None:
    b = bench()  # TM p.116: bit 6 AND, bit 5 active level, bit 4 a mask follows
    drive(b, 0xFF)
    mode_3(b, 0xD7, 0xF0)  # on, AND, low active, bits 0-3
    drive(b, 0xF8)
    assert not asked(b)
    drive(b, 0xF0)
    assert asked(b)


def test_mode_2_is_port_as_alone_and_mode_3_needs_no_handshake() -> None:
    b = bench()  # UM0081 p.216, p.220
    b.write("control-b", 0x8F)
    assert b.s.port[1].mode == 1
    b.write("control-a", 0x8F)
    assert b.s.port[0].mode == 2
    mode_3(b)
    b.write("data-a", 0x55)
    assert b.s.port[0].rdy == 0


def test_a_mask_word_drops_a_pending_request_in_any_mode() -> None:
    b = bench()  # TM p.116
    drive(b, 0x00)
    mode_3(b, 0xB7, 0x00)
    drive(b, 0x10)
    assert b.int_line == 1
    b.write("control-a", 0x97)
    assert b.int_line == 0
