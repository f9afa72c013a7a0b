"""The Z80 SIO's interrupts, clock inputs, words and machine code.

Sources stand beside the checks: UM0081 pages where the fact was re-read, "memory" where it
is recalled only.
"""
from __future__ import annotations

import numpy as np
import pytest
from card_bench import Bench
from sio_bench import (
    ALL,
    ALL_BUT_PARITY,
    ANY_PENDING,
    FIRST,
    FRAME,
    OFF,
    RX_AVAILABLE,
    TX_EMPTY,
    both,
    put,
    rr,
    rr0,
    shown,
    sio,
    type_keys,
)

from emu.bus import wires
from peripherals.card import Card
from peripherals.z80_ctc import CARD as CTC
from peripherals.z80_sio import CARD


# --- interrupts ---------------------------------------------------------------------------
def test_transmit_interrupt_comes_when_the_buffer_becomes_empty() -> None:
    """UM0081 p.248, p.265: not before a byte was written; another byte or command 5 ends it."""
    bench = sio(0x02)
    assert not bench.int_line
    bench.write("a-data", ord("1"), 1000)
    bench.advance(1004)
    assert bench.int_line and bench.m.ip[0] == 0b010
    bench.write("a-data", ord("2"))
    assert not bench.int_line
    bench.advance(1004 + FRAME)
    assert bench.int_line
    put(bench, "a", 0x28)
    assert not bench.int_line
    bench.advance(9000)
    assert not bench.int_line and shown(bench) == b"12"
    bench.write("a-data", ord("3"))
    bench.advance(9100)
    assert bench.int_line
    put(bench, "a", 1, 0)
    assert not bench.int_line


def test_first_character_mode_asks_once_until_told() -> None:
    bench = sio(FIRST)
    type_keys(bench, b"abc", 1000)
    bench.advance(1000 + FRAME)
    assert bench.int_line
    assert bench.read("a-data") == ord("a") and not bench.int_line
    bench.advance(1000 + 2 * FRAME)
    assert not bench.int_line and bench.read("a-data") == ord("b")
    put(bench, "a", 0x20)
    bench.advance(1000 + 3 * FRAME)
    assert bench.int_line and bench.read("a-data") == ord("c")


def test_special_condition_locks_the_buffer_in_first_character_mode() -> None:
    """Memory (facts, section 7): the buffer stands still until error reset."""
    bench = sio(FIRST, terminal_a={"baud": 57600}, vector=0x60)
    type_keys(bench, b"\0", 1000)
    bench.advance(2000)
    assert bench.ack() == 0x6E
    bench.reti()
    assert bench.int_line and [bench.read("a-data") for _ in range(3)] == [0, 0, 0]
    assert rr(bench, 1) == 0x41 and rr0(bench) & RX_AVAILABLE
    assert any("locked until error reset" in words for words in bench.words())
    put(bench, "a", 0x30)
    assert not bench.int_line and rr(bench, 1) == 0x01 and not rr0(bench) & RX_AVAILABLE


def test_error_reset_keeps_a_character_that_is_not_read_yet() -> None:
    """Memory (facts, section 7): it lets the buffer go on; only a read takes a character out."""
    bench = sio(FIRST, terminal_a={"baud": 57600}, vector=0x60)
    type_keys(bench, b"\0", 1000)
    bench.advance(2000)
    assert bench.ack() == 0x6E
    put(bench, "a", 0x30)
    assert rr0(bench) & RX_AVAILABLE
    assert bench.read("a-data") == 0 and not rr0(bench) & RX_AVAILABLE


def test_wr1_written_again_with_the_same_mode_forgets_no_request() -> None:
    """WR1 turns interrupts on and off (UM0081, WR1); a request stands while it stays on."""
    bench = sio(FIRST | 0x03)
    type_keys(bench, b"a", 1000)
    bench.write("a-data", ord("1"), 1000)
    bench.advance(1000 + FRAME)
    assert bench.m.ip[0] & 0b011 == 0b011
    put(bench, "a", 1, FIRST | 0x03)
    assert bench.m.ip[0] & 0b011 == 0b011
    put(bench, "a", 1, FIRST)
    assert bench.m.ip[0] & 0b011 == 0b001
    put(bench, "a", 1, OFF, 1, FIRST | 0x02)
    assert bench.m.ip[0] & 0b011 == 0 and rr0(bench) & RX_AVAILABLE


def test_wr1_written_again_keeps_a_locked_buffer_locked() -> None:
    bench = sio(FIRST, terminal_a={"baud": 57600})
    type_keys(bench, b"\0", 1000)
    bench.advance(2000)
    put(bench, "a", 1, FIRST)
    assert bench.int_line and [bench.read("a-data") for _ in range(2)] == [0, 0]
    assert rr0(bench) & RX_AVAILABLE
    put(bench, "a", 1, ALL)
    assert not rr0(bench) & RX_AVAILABLE


@pytest.mark.parametrize(("mode", "vector"), [
    (ALL, 0x6E), (ALL_BUT_PARITY, 0x6C), (FIRST, 0x6C)])
def test_parity_error_changes_the_vector_in_one_mode_only(mode: int, vector: int) -> None:
    bench = sio(mode, wr4=0x45, terminal_a={"format": "8E1"}, vector=0x60)
    type_keys(bench, b"p", 1000)
    bench.advance(2000)
    assert bench.ack() == vector


@pytest.mark.parametrize("mode", [ALL, ALL_BUT_PARITY])
def test_overrun_changes_the_vector_at_its_character(mode: int) -> None:
    bench = sio(mode, vector=0x60)
    type_keys(bench, b"abcd", 1000)
    bench.advance(1000 + 4 * FRAME)
    vectors = []
    for _ in range(3):
        vectors.append(bench.ack())
        bench.read("a-data")
        bench.reti()
    assert vectors == [0x6C, 0x6C, 0x6E] and not bench.int_line


def test_no_receive_interrupt_in_mode_0_whatever_is_wrong() -> None:
    """UM0081 p.248: special conditions need a receive interrupt mode."""
    bench = sio(OFF, terminal_a={"baud": 57600})
    type_keys(bench, b"\0abcd", 1000)
    bench.advance(20_000)
    assert not bench.int_line and bench.m.ip[0] == 0


def test_sources_are_served_in_the_chips_order() -> None:
    """UM0081 p.248: A before B; receive, transmit, external/status inside a channel."""
    bench = both()
    clear = {0x6C: lambda: bench.read("a-data"), 0x68: lambda: put(bench, "a", 0x28),
             0x6A: lambda: put(bench, "a", 0x10), 0x64: lambda: bench.read("b-data"),
             0x60: lambda: put(bench, "b", 0x28), 0x62: lambda: put(bench, "b", 0x10)}
    served = []
    while bench.int_line:
        served.append(bench.ack())
        clear[served[-1]]()
        bench.reti()
    assert served == [0x6C, 0x68, 0x6A, 0x64, 0x60, 0x62]


def test_higher_source_interrupts_the_service_of_a_lower_one() -> None:
    bench = sio(ALL | 0x02, vector=0x60)
    bench.write("a-data", 0x41, 1000)
    bench.advance(1010)
    assert bench.ack() == 0x68 and not bench.int_line
    type_keys(bench, b"x", 1100)
    bench.advance(2000)
    assert bench.int_line and bench.ack() == 0x6C
    assert bench.m.ius[0] == 0b011 and bench.m.ieo[0] == 0
    bench.read("a-data")
    bench.reti()
    assert bench.m.ius[0] == 0b010
    put(bench, "a", 0x28)
    bench.reti()
    assert bench.m.ius[0] == 0 and bench.m.ieo[0] == 1


def test_return_from_interrupt_command_works_in_channel_a() -> None:
    bench = both()
    bench.ack()
    bench.read("a-data")
    assert bench.m.ius[0] == 1 and not bench.int_line
    put(bench, "b", 0x38)
    assert bench.m.ius[0] == 1
    put(bench, "a", 0x38)
    assert bench.m.ius[0] == 0 and bench.int_line


@pytest.mark.parametrize(("channel", "served"), [("a", 0), ("b", 1)])
def test_channel_reset_of_a_forgets_what_is_under_service(channel: str, served: int) -> None:
    """UM0081, WR0 (from memory, 95 %): "also resets the interrupt prioritization logic";
    shared/facts/sio_more.md (a).  A warm restart out of a handler thus frees the chain."""
    bench = both()
    bench.ack()
    assert bench.m.ius[0] == 1
    put(bench, channel, 0x18)
    bench.advance(bench.t + 4)
    assert bench.m.ius[0] == served
    assert bench.m.ip[0] == (0b111000 if channel == "a" else 0b000111)
    assert bench.int_line == (channel == "a")  # B asks again once nothing above it is served
    put(bench, "ba"[channel == "b"], 0x18)
    assert bench.m.ieo[0] == 1


@pytest.mark.parametrize(("reading", "served"), [("ends-service", 0), ("keeps-service", 1)])
def test_who_leans_on_a_channel_reset_is_told(reading: str, served: int) -> None:
    """That it ends services is from memory, 80 % (shared/facts/sio_more.md (a))."""
    bench = sio(ALL, channel_reset=reading)
    type_keys(bench, b"k", 1000)
    bench.advance(1000 + FRAME)
    bench.ack()
    put(bench, "a", 0x18, 0x18)
    assert bench.m.ius[0] == served
    told = [words for words in CARD.risks(bench.m, bench.s) if "under service" in words]
    assert len(told) == 1 and told[0].startswith(f"channel A was reset {1 + served} times")


def test_channel_reset_of_b_loses_the_vector() -> None:
    """WR2 stands in channel B alone (UM0081 p.310); 00h after reset: memory."""
    bench = sio(vector=0x40)
    put(bench, "a", 0x18)
    put(bench, "b", 1, 0)
    assert rr(bench, 2, "b") == 0x40
    put(bench, "b", 0x18)
    assert rr(bench, 2, "b") == 0


@pytest.mark.parametrize(("reading", "asks"), [("waiting", True), ("new", False)])
def test_command_4_with_characters_waiting(reading: str, asks: bool) -> None:
    """Unsettled (shared/facts/sio_more.md (f)): the later SCC may let a stored character ask."""
    bench = sio(FIRST, next_character=reading)
    type_keys(bench, b"abc", 1000)
    bench.advance(1000 + 4 * FRAME)
    assert bench.int_line and bench.read("a-data") == ord("a") and not bench.int_line
    put(bench, "a", 0x20)
    assert bench.int_line == asks
    assert any("command 4" in words for words in CARD.risks(bench.m, bench.s))
    type_keys(bench, b"d", bench.t + 100)
    bench.advance(bench.t + 100 + 2 * FRAME)
    assert bench.int_line


def test_rr2_shows_the_highest_request_and_011_for_none() -> None:
    bench = both()
    assert rr(bench, 2, "b") == 0x6C
    bench.read("a-data")
    assert rr(bench, 2, "b") == 0x68
    assert rr(sio(vector=0xF1), 2, "b") == 0xF7


def test_interrupt_pending_bit_is_channel_as() -> None:
    """UM0081 p.312."""
    bench = both()
    assert rr0(bench) & ANY_PENDING and not rr0(bench, "b") & ANY_PENDING


def test_chip_higher_in_the_chain_goes_first() -> None:
    bench = Bench(CARD, {}, also=[(CARD, {})], hz="6.144 MHz")
    for slot in (0, 1):
        for register, byte in (("b-control", 2), ("b-control", 0x40 + 0x20 * slot),
                               ("a-control", 4), ("a-control", 0x44), ("a-control", 5),
                               ("a-control", 0xEA), ("a-control", 1), ("a-control", 0x02),
                               ("a-data", 0x41)):
            bench.write(register, byte, bench.t + 11, slot)
    bench.advance(1000)
    assert bench.m.ieo[0] == 0 and bench.m.iei[1] == 0
    assert bench.ack() == 0x40 and bench.ack() == -1
    bench.write("a-control", 0x28)
    assert not bench.int_line
    bench.reti()
    assert bench.int_line and bench.ack() == 0x60


# --- clocks -------------------------------------------------------------------------------
def test_clock_from_a_ctc() -> None:
    """CTC timer of 16 x 4 T-states into x1 would be synchronous; x16 of 6.144 MHz / 16 / 10
    is 2400 baud."""
    bench = Bench(CARD, {"terminal-b": {"baud": 2400}}, also=[(CTC, {})],
                  wires=[(1, "zcto1", 0, "clock-b")], hz="6.144 MHz")
    bench.write("channel1", 0x07, 20, slot=1)  # timer, /16, constant follows
    bench.write("channel1", 10, 31, slot=1)
    put(bench, "b", 0x18, 4, 0x44, 5, 0xEA, 3, 0xC1)
    assert bench.words()[1] == "b: 2400 baud 8N1, the terminal 2400 baud 8N1"
    for byte in b"ok":
        while not rr0(bench, "b") & TX_EMPTY:
            bench.advance(bench.t + 100)
        bench.write("b-data", byte)
    type_keys(bench, b"K", 40_000, "b")
    bench.advance(40_000 + 25_600)
    assert shown(bench, "b") == b"ok" and bench.read("b-data") == ord("K")


def test_clock_that_stops_holds_the_channel() -> None:
    oscillator = Card("oscillator", "", "", np.dtype([("slot", np.int64)]), outputs=("out",))
    bench = Bench(CARD, {}, also=[(oscillator, {})], wires=[(1, "out", 0, "clock-a")],
                  hz="6.144 MHz")
    put(bench, "a", 0x18, 4, 0x44, 5, 0xEA)
    bench.write("a-data", ord("x"))
    bench.advance(5000)
    assert shown(bench) == b"" and any("waits for a clock" in w for w in bench.words())
    wires.drive_clock(bench.m, 1, 0, 4, 1, 5000, 0, 5000)
    bench.advance(6000)
    assert shown(bench) == b"x"


# --- words --------------------------------------------------------------------------------
def test_words_for_a_synchronous_mode() -> None:
    bench = sio(wr4=0x10)
    bench.write("a-data", ord("x"))
    type_keys(bench, b"y", 1000)
    bench.advance(5000)
    assert bench.words()[0] == ("a: programmed for a synchronous mode (WR4 = 10h), which is not "
                                "modelled: it neither sends nor receives")
    assert shown(bench) == b"" and not rr0(bench) & RX_AVAILABLE


def test_words_tell_rate_buffer_and_interrupts() -> None:
    bench = sio(0x1B, vector=0x60, clock_a="1.5 MHz")
    bench.write("a-data", ord("x"), 1000)
    bench.advance(1100)
    assert bench.words() == [
        "a: 93750 baud 8N1 (-2.34 %), the terminal 96000 baud 8N1",
        "a: receiver on, 0 characters came",
        "a: transmitter on, 1 characters begun, one under way",
        "a: interrupts enabled: every character, parity apart, transmit, external/status; "
        "pending: transmit",
        "b: not set up (WR4 = 00h)",
        "vector 60h + status",
    ]


# --- machine code, determinism ------------------------------------------------------------
def exercise(bench: Bench, stride: int = 0) -> bytes:
    """Use everything a little, at fixed times; look in between every ``stride`` T-states."""
    put(bench, "b", 2, 0x50, 1, 0x17)
    for name in "ab":
        put(bench, name, 4, 0x44, 3, 0xE1, 5, 0xEA, 1, 0x1F if name == "b" else 0x13)
    type_keys(bench, b"all keys of the board", 800)
    type_keys(bench, b"\0and more", 1500, "b")
    rng = np.random.default_rng(5)
    t = 1000
    while t < 30_000:
        while stride and bench.t + stride < t:
            bench.advance(bench.t + stride, at_once=True)
        action = int(rng.integers(0, 8))
        name = "ab"[int(rng.integers(0, 2))]
        if action == 0:
            bench.write(f"{name}-data", int(rng.integers(0, 256)), t)
        elif action == 1:
            bench.read(f"{name}-data", t)
        elif action == 2:
            bench.advance(t)
            put(bench, name, [0x10, 0x20, 0x28, 0x30, 0x38][int(rng.integers(0, 5))])
        elif action == 3:
            bench.advance(t)
            put(bench, name, 5, [0xEA, 0xE8, 0xFA, 0xAA][int(rng.integers(0, 4))])
        elif action == 4:
            bench.advance(t)
            put(bench, name, 4, [0x44, 0x45, 0x4F, 0x84][int(rng.integers(0, 4))])
        elif action == 5 and bench.int_line:
            bench.ack(t)
        elif action == 6:
            bench.reti(t)
        elif action == 7:
            bench.advance(t)
            put(bench, name, 3, [0xE1, 0x41, 0xC0][int(rng.integers(0, 3))])
        t = max(t, bench.t) + int(rng.integers(11, 300))
    bench.advance(40_000)
    return bench.s.tobytes() + bench.m.ip.tobytes() + bench.m.ius.tobytes()


def uneven(native: bool = False) -> Bench:
    """Two channels whose terminals differ a little or a lot from them."""
    return Bench(CARD, {"terminal-a": {"baud": 113000, "flow": "rts-cts"}, "cts-b": "terminal",
                        "terminal-b": {"baud": 50000, "format": "7E2"}},
                 hz="6.144 MHz", native=native)


def test_state_does_not_depend_on_how_often_the_card_is_advanced() -> None:
    states = [exercise(uneven(), stride) for stride in (0, 1, 7, 1001)]
    assert states.count(states[0]) == len(states)


def test_machine_code_does_what_the_functions_do() -> None:
    assert exercise(uneven(native=True)) == exercise(uneven())
