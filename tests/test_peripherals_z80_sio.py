"""The Z80 SIO's registers, transmitter, receive buffer and status bits.

Sources stand beside the checks: UM0081 pages where the fact was re-read, "memory" where it
is recalled only.
"""
from __future__ import annotations

import pytest
from card_bench import Bench
from sio_bench import (
    ALL,
    ANY_PENDING,
    BROKE,
    CTS,
    DCD,
    EOM,
    FRAME,
    IDLE,
    RX_AVAILABLE,
    SYNC,
    TX_EMPTY,
    put,
    rr,
    rr0,
    set_pin,
    shown,
    sio,
    type_keys,
    until,
)

from peripherals.parallel_latch import CARD as LATCH
from peripherals.z80_sio import CARD


# --- registers ----------------------------------------------------------------------------
def test_pointer_lasts_for_one_access() -> None:
    """UM0081 p.312: after the access the pointer is 0 again."""
    bench = sio()
    bench.write("a-control", 1)
    assert rr0(bench) == 0x01  # RR1: all sent
    assert rr0(bench) == IDLE
    put(bench, "b", 2, 0x50)
    assert rr(bench, 2, "b") == 0x50 and rr0(bench, "b") == IDLE


def test_vector_is_written_and_read_in_channel_b_only() -> None:
    """KIO p.21: RR2 is channel B's."""
    bench = sio()
    put(bench, "a", 2, 0xA0)
    put(bench, "b", 2, 0x50)
    assert rr(bench, 2, "b") == 0x50
    assert rr(bench, 2, "a") == 0


def test_command_and_pointer_in_one_byte() -> None:
    bench = sio()
    bench.write("a-control", 0x30 | 1)  # error reset, then RR1
    assert bench.read("a-control") == 0x01
    bench.write("a-control", 0x18 | 1)  # channel reset clears the pointer too
    assert rr0(bench) == IDLE


def test_end_of_message_bit_is_cleared_by_its_command_only() -> None:
    """UM0081 p.316."""
    bench = sio(0x01)
    bench.write("a-control", 0xC0)
    assert rr0(bench) == IDLE & ~EOM and not bench.int_line
    put(bench, "a", 0x10)
    assert rr0(bench) == IDLE & ~EOM
    put(bench, "a", 0x18)
    assert rr0(bench) == IDLE


def test_reset_turns_everything_off() -> None:
    """RESET: receivers, transmitters, interrupts off, RTS and DTR high (memory)."""
    bench = sio(0x1B, vector=0x60)
    bench.write("a-data", 0x41)
    bench.advance(bench.t + 100)
    line = bench.s.line_a
    assert bench.int_line and line.rts == line.dtr == 1
    bench.reset(1, bench.t + 10)
    assert not bench.int_line and line.rts == line.dtr == 0
    bench.advance(bench.t + 5000)
    assert rr0(bench) == IDLE and rr(bench, 2, "b") == 0
    bench.write("a-data", 0x42)
    bench.advance(bench.t + 5000)
    assert shown(bench)[1:] == b""  # at most the stump of what was under way


def test_channel_reset_leaves_the_other_channel_alone() -> None:
    bench = sio()
    put(bench, "b", 0x18, 4, 0x44, 5, 0xEA, 2, 0x60)
    bench.write("b-data", ord("b"))
    put(bench, "a", 0x18)
    bench.advance(bench.t + 1000)
    assert shown(bench, "b") == b"b" and rr(bench, 2, "b") == 0x60
    assert bench.s.line_a.rts == 0 and bench.s.line_b.rts == 1


# --- transmitter --------------------------------------------------------------------------
def test_buffer_and_shift_register() -> None:
    bench = sio()
    bench.write("a-data", ord("1"), 1000)
    assert not rr0(bench) & TX_EMPTY
    first = until(bench, TX_EMPTY)
    assert 1000 <= first <= 1004 and rr(bench, 1) == 0
    bench.write("a-data", ord("2"))
    assert until(bench, TX_EMPTY) == first + FRAME
    bench.advance(first + 2 * FRAME - 1)
    assert rr(bench, 1) == 0
    bench.advance(first + 2 * FRAME)
    assert rr(bench, 1) == 1 and shown(bench) == b"12"


@pytest.mark.parametrize(("wr4", "wr5", "bits"), [
    (0x44, 0xEA, 10), (0x48, 0xEA, 10.5), (0x4C, 0xEA, 11), (0x45, 0xEA, 11), (0x47, 0xEA, 11),
    (0x44, 0xAA, 9), (0x44, 0xCA, 8), (0x44, 0x8A, 7), (0x84, 0xEA, 20), (0xC4, 0xEA, 40),
])
def test_length_of_a_frame(wr4: int, wr5: int, bits: float) -> None:
    """WR4 bits 3-2 stop, 0 parity, 7-6 clock; WR5 bits 6-5 = 11 8 bits, 01 7, 10 6, 00 5
    (UM0081 p.305; WR5 memory). Lengths in bits of 64 T-states."""
    bench = sio(wr4=wr4, wr5=wr5)
    bench.write("a-data", 0x15, 1000)
    first = until(bench, TX_EMPTY)
    bench.write("a-data", 0x15)
    assert until(bench, TX_EMPTY) == first + bits * 64


@pytest.mark.parametrize(("byte", "levels"), [
    (0b11110001, 0b1), (0b11110000, 0b0), (0b11100010, 0b10), (0b11000101, 0b101),
    (0b10001001, 0b1001), (0b00010001, 0b10001)])
def test_five_bits_or_fewer(byte: int, levels: int) -> None:
    """The number of leading ones chooses one to five bits (memory)."""
    count = {0: 5, 1: 4, 2: 3, 3: 2, 4: 1}[len(f"{byte:08b}") - len(f"{byte:08b}".lstrip("1"))
                                           if byte < 0xF0 else 4]
    bench = sio(wr5=0x8A, terminal_a={"format": "5N1"})
    bench.write("a-data", byte, 1000)
    first = until(bench, TX_EMPTY)
    bench.write("a-data", byte)
    assert until(bench, TX_EMPTY) == first + (2 + count) * 64
    wave = bench.s.line_a.out
    assert (int(wave.levels) >> 1) & ((1 << count) - 1) == levels
    assert int(wave.levels) >> 1 + count == -1  # then the stop bit


def test_nothing_is_sent_while_the_transmitter_is_off() -> None:
    bench = sio(wr5=0xE2)
    bench.write("a-data", ord("x"), 1000)
    bench.advance(3000)
    assert shown(bench) == b"" and not rr0(bench) & TX_EMPTY and rr(bench, 1) == 0
    assert "a: transmitter off, with 78h in its buffer" in bench.words()
    put(bench, "a", 5, 0xEA)
    bench.advance(4000)
    assert shown(bench) == b"x"


def test_transmitter_turned_off_ends_its_character() -> None:
    """UM0081 WR5: a character under way is completed (memory)."""
    bench = sio()
    bench.write("a-data", ord("x"), 1000)
    bench.advance(1100)
    put(bench, "a", 5, 0xE2)
    bench.advance(3000)
    assert shown(bench) == b"x"


def test_auto_enables_let_cts_gate_the_transmitter() -> None:
    bench = sio(wr3=0xE1, cts_a="terminal")
    set_pin(bench, "cts", 0)
    bench.write("a-data", ord("x"))
    bench.advance(3000)
    assert shown(bench) == b"" and not rr0(bench) & (TX_EMPTY | CTS)
    assert any("waits for CTS (auto enables)" in words for words in bench.words())
    set_pin(bench, "cts", 1)
    bench.advance(4000)
    put(bench, "a", 0x10)
    assert shown(bench) == b"x" and rr0(bench) == IDLE


def test_cts_is_only_a_status_without_auto_enables() -> None:
    bench = sio(cts_a="high")
    bench.write("a-data", ord("x"))
    bench.advance(3000)
    assert shown(bench) == b"x" and rr0(bench) == IDLE & ~CTS


def test_rts_goes_off_only_when_all_is_sent() -> None:
    """UM0081 WR5: RTS reset acts once the transmitter is empty (memory)."""
    bench = sio()
    bench.write("a-data", ord("x"), 1000)
    put(bench, "a", 5, 0xE8)
    assert bench.s.line_a.rts == 1 and bench.s.line_a.dtr == 1
    bench.advance(1000 + FRAME + 4)
    assert bench.s.line_a.rts == 0
    put(bench, "a", 5, 0x6A)
    assert bench.s.line_a.rts == 1 and bench.s.line_a.dtr == 0  # UM0081 p.310: DTR follows bit 7


def test_break_holds_the_line_at_once_and_shows_as_nul() -> None:
    bench = sio()
    put(bench, "a", 5, 0xFA)
    bench.advance(5000)
    put(bench, "a", 5, 0xEA)
    bench.advance(6000)
    bench.write("a-data", ord("x"))
    bench.advance(8000)
    assert shown(bench) == b"\0x" and bench.s.line_a.term_breaks == 1


# --- receiver -----------------------------------------------------------------------------
def test_three_characters_wait_in_order() -> None:
    bench = sio()
    type_keys(bench, b"abc", 1000)
    bench.advance(1000 + 3 * FRAME)
    assert rr0(bench) == IDLE | RX_AVAILABLE
    assert "3 of 3 unread: 61h, 62h, 63h" in bench.words()[1]
    assert bytes(bench.read("a-data") for _ in range(3)) == b"abc"
    assert rr0(bench) == IDLE and bench.read("a-data") == ord("c")


def test_fourth_unread_character_overwrites_the_third_and_is_flagged() -> None:
    """UM0081 p.319: only the character written over is flagged; the bit then latches until
    error reset."""
    bench = sio()
    type_keys(bench, b"abcd", 1000)
    bench.advance(1000 + 4 * FRAME)
    assert [(rr(bench, 1), chr(bench.read("a-data"))) for _ in range(3)] == [
        (0x01, "a"), (0x01, "b"), (0x21, "d")]
    assert rr(bench, 1) == 0x21
    put(bench, "a", 0x30)
    assert rr(bench, 1) == 0x01


def test_parity_error_latches_and_framing_error_does_not() -> None:
    """UM0081 p.319: parity and overrun latch until error reset."""
    bench = sio(wr4=0x45, terminal_a={"format": "8E1"})
    type_keys(bench, b"p", 1000)
    bench.advance(2000)
    assert rr(bench, 1) == 0x11 and bench.read("a-data") == ord("p") and rr(bench, 1) == 0x11
    put(bench, "a", 0x30)
    assert rr(bench, 1) == 0x01
    bench = sio(terminal_a={"baud": 57600})
    type_keys(bench, b"\0", 1000)
    bench.advance(2000)
    assert rr(bench, 1) == 0x41
    bench.read("a-data")
    assert rr(bench, 1) == 0x01


def test_parity_bit_comes_along_when_there_is_room() -> None:
    """UM0081 p.305: with parity and fewer than 8 bits the parity bit is part of the byte;
    ones fill the rest (memory)."""
    bench = sio(wr4=0x47, wr3=0x41, terminal_a={"format": "7E1"})
    type_keys(bench, b"\x41\x43", 1000)  # two ones, three ones
    bench.advance(1000 + 2 * FRAME)
    assert [bench.read("a-data") for _ in range(2)] == [0x41, 0xC3]
    bench = sio(wr4=0x44, wr3=0x01, terminal_a={"format": "5N1"})
    type_keys(bench, b"\x11", 1000)
    bench.advance(2000)
    assert bench.read("a-data") == 0xF1


def test_receiver_is_off_until_enabled_and_gated_by_dcd() -> None:
    bench = sio(wr3=0xC0)
    type_keys(bench, b"a", 1000)
    bench.advance(3000)
    assert rr0(bench) == IDLE
    bench = sio(wr3=0xE1, dcd_a="terminal")
    set_pin(bench, "dcd", 0)
    type_keys(bench, b"a", 1000)
    bench.advance(3000)
    assert rr0(bench) == IDLE & ~DCD
    assert any("held off by DCD" in words for words in bench.words())
    set_pin(bench, "dcd", 1)
    type_keys(bench, b"b", 4000)
    bench.advance(5000)
    put(bench, "a", 0x10)
    assert rr0(bench) == IDLE | RX_AVAILABLE and bench.read("a-data") == ord("b")


def test_break_comes_and_goes_with_two_status_interrupts_and_one_null() -> None:
    """UM0081 p.316. The terminal sends NUL at 9600 baud: 781 us of space."""
    bench = sio(0x01 | ALL, terminal_a={"baud": 9600}, vector=0x60)
    type_keys(bench, b"\0", 1000)
    bench.advance(1000 + 5 * 768)
    assert rr0(bench) == IDLE | BROKE | RX_AVAILABLE | ANY_PENDING
    assert bench.m.ip[0] == 0b101 and rr(bench, 1) == 0x41
    assert bench.read("a-data") == 0 and bench.m.ip[0] == 0b100
    put(bench, "a", 0x10)
    assert not bench.int_line
    bench.advance(1000 + 9 * 768 + 5)
    assert bench.m.ip[0] == 0b100 and rr0(bench) == IDLE | ANY_PENDING
    put(bench, "a", 0x10)
    bench.advance(20_000)
    assert rr0(bench) == IDLE  # no second null


# --- external/status ----------------------------------------------------------------------
def test_modem_bits_show_the_pins_inverted() -> None:
    """UM0081 p.316: pin low = bit 1."""
    for cts in ("low", "high"):
        for dcd in ("low", "high"):
            bench = sio(cts_a=cts, dcd_a=dcd)
            assert rr0(bench) == (TX_EMPTY | EOM | (CTS if cts == "low" else 0)
                                  | (DCD if dcd == "low" else 0))


def test_status_freezes_at_a_change_that_asks_until_command_2() -> None:
    """Memory (facts, section 7): bits freeze at the first change; a state that differs when
    they are let go asks again."""
    bench = sio(0x01, cts_a="terminal", dcd_a="terminal")
    set_pin(bench, "cts", 0)
    assert bench.m.ip[0] == 0b100 and rr0(bench) == (IDLE & ~CTS) | ANY_PENDING
    set_pin(bench, "dcd", 0)
    assert rr0(bench) == (IDLE & ~CTS) | ANY_PENDING
    put(bench, "a", 0x10)
    assert rr0(bench) == (IDLE & ~CTS & ~DCD) | ANY_PENDING
    put(bench, "a", 0x10)
    assert rr0(bench) == IDLE & ~CTS & ~DCD and not bench.int_line


def test_status_stands_still_while_its_interrupt_is_off_too() -> None:
    """shared/facts/sio_more.md (b): 80 % from memory, with the later chip's manual (SCC p.56)."""
    bench = sio(0, cts_a="terminal", dcd_a="terminal")
    put(bench, "a", 0x18, 0x10)
    assert rr0(bench) == 0x6C
    set_pin(bench, "cts", 0)
    assert rr0(bench) == 0x4C
    set_pin(bench, "cts", 1)
    assert rr0(bench) == 0x4C
    set_pin(bench, "dcd", 0)
    assert rr0(bench) == 0x4C
    put(bench, "a", 0x10)
    assert rr0(bench) == 0x64 and not bench.int_line
    assert any("as it had been" in words for words in CARD.risks(bench.m, bench.s))


def test_status_latch_enabled_lets_a_polled_channel_follow_its_pins() -> None:
    """The other reading, by the jumper."""
    bench = sio(0, cts_a="terminal", status_latch="enabled")
    for level in (0, 1, 0):
        set_pin(bench, "cts", level)
        assert rr0(bench) == (IDLE if level else IDLE & ~CTS)
    assert CARD.risks(bench.m, bench.s) == []


@pytest.mark.parametrize("clears", [(0x10, 0x10), (0x18,)])
def test_only_command_2_and_channel_reset_open_the_latch(clears: tuple[int, ...]) -> None:
    """Memory, 95 % (sio_more.md (b)): no read of RR0, no acknowledge, no RETI."""
    bench = sio(0x01, cts_a="terminal", vector=0x40)
    set_pin(bench, "cts", 0)
    set_pin(bench, "cts", 1)
    bench.ack()
    bench.reti()
    assert rr0(bench) & CTS == 0
    put(bench, "a", *clears)
    assert rr0(bench) & CTS == CTS
    assert not bench.int_line


# --- W/RDY in its WAIT function, and the SYNC pin -------------------------------------------
def pin_levels(bench: Bench) -> list[int]:
    return [int(bench.m.line_level[0, CARD.outputs.index(f"ready-{name}")]) for name in "ab"]


def choose(bench: Bench, register: str, write: bool = False) -> list[int]:
    """Choose a register as an access does that has not ended; give the levels of W/RDY."""
    bench.call("select", bench.register(register) | write << 8, bench.t)
    return pin_levels(bench)


def held_sio(wr1: int) -> Bench:
    """Channel A, W/RDY wired."""
    bench = Bench(CARD, {}, hz="6.144 MHz", also=[(LATCH, {})],
                  wires=[(0, "ready-a", 1, "i0"), (0, "ready-b", 1, "i1")])
    put(bench, "a", 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, wr1)
    return bench


def test_wait_on_receive_holds_an_access_until_a_character_is_there() -> None:
    """UM0081, WR1 (from memory, 95 %): D7-D5 = 101, low while the buffer is empty and the
    channel's data port is chosen; it floats else."""
    bench = held_sio(0xA0)
    assert pin_levels(bench) == [1, 1]
    assert choose(bench, "a-control") == [1, 1] and choose(bench, "b-data") == [1, 1]
    assert choose(bench, "a-data") == [0, 1]
    type_keys(bench, b"k", bench.t + 10)
    start = bench.t
    while pin_levels(bench)[0] == 0:
        bench.advance(bench.t + 1)
    assert bench.t - start == pytest.approx(FRAME, abs=100)
    assert bench.read("a-data") == ord("k") and pin_levels(bench) == [1, 1]
    assert any("WAIT, holds accesses to the data port until a character has come" in words
               and words.endswith("1 held so far") for words in bench.words())


def test_wait_on_transmit_holds_an_access_while_the_buffer_is_full() -> None:
    """D7-D5 = 100."""
    bench = held_sio(0x80)
    assert choose(bench, "a-data", write=True) == [1, 1]
    bench.write("a-data", 0x31)
    bench.advance(bench.t + 100)  # it moves on into the shift register
    bench.write("a-data", 0x32)
    assert pin_levels(bench) == [1, 1] and choose(bench, "a-data", write=True) == [0, 1]
    bench.advance(bench.t + FRAME + 20)
    assert pin_levels(bench) == [1, 1]


@pytest.mark.parametrize("wr1", [0x00, 0x20, 0x40, 0x60])
def test_wait_ready_that_is_off_holds_nothing(wr1: int) -> None:
    bench = held_sio(wr1)
    assert choose(bench, "a-data") == [1, 1]


def test_ri_shows_in_rr0_inverted_and_interrupts_as_cts_does() -> None:
    """The SYNC pin in asynchronous modes (UM0081 p.314), RI of the DART; its latch from memory."""
    bench = sio(wr1=0x01)
    assert rr0(bench) & SYNC == 0
    CARD.live["ri-a"](bench.m, bench.s, "low")
    bench.advance(bench.t + 5)
    assert rr0(bench) & SYNC == SYNC and int(bench.m.ip[0]) == 4
    CARD.live["ri-a"](bench.m, bench.s, "high")
    bench.advance(bench.t + 5)
    assert rr0(bench) & SYNC == SYNC  # the latch is closed
    put(bench, "a", 0x10)
    assert rr0(bench) & SYNC == 0


def test_a_wire_brings_ri() -> None:
    bench = Bench(CARD, {}, hz="6.144 MHz", also=[(LATCH, {})], wires=[(1, "q2", 0, "ri-b")])
    put(bench, "b", 0x18, 4, 0x44, 0x10)
    assert rr0(bench, "b") & SYNC == SYNC  # the latch's output is low
    bench.write("outputs", 4, slot=1)
    bench.advance(bench.t + 5)
    assert rr0(bench, "b") & SYNC == 0
