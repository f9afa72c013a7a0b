"""The CTC card: exactness over long times, slicing, lines, the interrupt flip-flop, words."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from card_bench import Bench
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.backplane.description import load
from emu.bus.state import FAR
from emu.errors import InputError
from emu.machine.machine import Machine
from peripherals.z80_ctc import CARD

START = 2
EXACT = settings(deadline=None, derandomize=True, max_examples=60)


def set_up(bench: Bench, channel: int, control: int, constant: int, t: int = 0) -> None:
    """Write a control word that announces a constant, and the constant."""
    bench.write(channel, control, t)
    bench.write(channel, constant & 0xFF, t)


def count_at(t: int, edges: Fraction, first: Fraction, constant: int) -> int:
    """Give the down counter by the definition, from Fractions: the naive twin."""
    passed = 0 if t < first else (t - first) // edges + 1
    return constant - passed % constant


# --- exactness ------------------------------------------------------------------------------
@EXACT
@given(st.sampled_from([16, 256]), st.integers(1, 256), st.integers(0, 10**12))
def test_timer_is_exact_after_any_time(prescaler: int, constant: int, t: int) -> None:
    bench = Bench(CARD)
    set_up(bench, 0, 0x05 if prescaler == 16 else 0x25, constant)
    step = Fraction(prescaler)
    assert bench.read("channel0", t) == count_at(t, step, START + step, constant) & 0xFF
    assert bench.m.event_t[0] == FAR  # nobody listens: no events


@EXACT
@given(st.integers(1, 256), st.integers(1, 10**12), st.sampled_from(
    ["1.536 MHz", "614.4 kHz", "2.951 MHz", "50 Hz", "32.768 kHz"]))
def test_counter_of_another_crystal_is_exact_after_any_time(
        constant: int, t: int, clock: str) -> None:
    bench = Bench(CARD, {"trigger-2": clock}, hz="6.144 MHz")
    c = bench.s.channel[2]
    period = Fraction(int(c.in_num), int(c.in_den))
    first = int(c.in_t) + Fraction(int(c.in_rem), int(c.in_den))
    while first <= 0:
        first += period  # the constant is written at 0: earlier edges do not count
    set_up(bench, 2, 0x45, constant)
    assert bench.read("channel2", t) == count_at(t, period, first, constant) & 0xFF


@EXACT
@given(st.sampled_from([0x85, 0xA5]), st.integers(1, 256), st.integers(0, 10**12))
def test_requests_stand_at_exact_multiples(control: int, constant: int, t: int) -> None:
    period = (16 if control == 0x85 else 256) * constant
    bench = Bench(CARD)
    set_up(bench, 3, control, constant)
    bench.advance(t, at_once=True)
    if t >= START + period:
        bench.ack()
    zeros = max((t - START) // period, 0)
    assert int(bench.m.event_t[0]) == START + (zeros + 1) * period


def busy_bench(native: bool = False) -> Bench:
    """Four channels that lean on each other, a steady and a broken clock among them."""
    bench = Bench(CARD, {"trigger-0": "1.536 MHz"}, hz="6.144 MHz", native=native,
                  wires=[(0, "zcto0", 0, "trigger1"), (0, "zcto1", 0, "trigger2"),
                         (0, "zcto2", 0, "trigger3")])
    set_up(bench, 0, 0xC5, 3)
    set_up(bench, 1, 0xC5, 7)
    set_up(bench, 2, 0x8D, 2)
    set_up(bench, 3, 0xD5, 5)
    return bench


def work(bench: Bench, rng: np.random.Generator, slices: int) -> list[Any]:
    """Do the same things at the same times, with the time between them cut anyhow."""
    script = np.random.default_rng(77)
    seen: list[Any] = []
    t = 0
    for _ in range(60):
        t += int(script.integers(1, 3000))
        cuts = sorted(int(c) for c in rng.integers(bench.t, t, slices)) if slices else []
        for cut in cuts:
            bench.advance(cut, at_once=True)
        channel, act = int(script.integers(4)), int(script.integers(5))
        if act == 0:
            seen.append(bench.read(channel, t))
        elif act == 1:
            set_up(bench, channel, int((0xC5, 0xC5, 0xA5, 0xD5)[channel]),
                   int(script.integers(1, 30)), t)
        elif act == 2:
            seen.append(bench.ack(t) if bench.int_line else -1)
            bench.reti(t)
        elif act == 3:
            bench.write(channel, int(script.choice([0x81, 0x83, 0x91, 0xC1, 0xA1, 0x8D])), t)
        else:
            bench.read(0, t)  # so that all channels have caught up
            seen.append((int(bench.m.ip[0]), [int(c.zeros) for c in bench.s.channel]))
    bench.read(0, t)
    return seen


def test_slicing_changes_nothing() -> None:
    plain = work(busy_bench(), np.random.default_rng(1), 0)
    assert any(isinstance(x, tuple) and min(x[1]) > 0 for x in plain)
    for seed in range(6):
        assert work(busy_bench(), np.random.default_rng(seed), 5) == plain


def test_machine_code_does_the_same() -> None:
    one, two = busy_bench(), busy_bench(native=True)
    rng = np.random.default_rng(3)
    assert work(one, rng, 2) == work(two, np.random.default_rng(4), 3)
    assert one.s.tobytes() == two.s.tobytes()


# --- counting -------------------------------------------------------------------------------
def test_counter_reads_down_and_256_reads_as_0() -> None:
    bench = Bench(CARD)
    set_up(bench, 0, 0x05, 256)
    assert bench.read("channel0", START + 15) == 0
    assert bench.read("channel0", START + 16) == 255
    assert bench.read("channel0", START + 16 * 255) == 1
    assert bench.read("channel0", START + 16 * 256) == 0


def test_counter_without_a_clock_never_counts() -> None:
    bench = Bench(CARD)
    set_up(bench, 0, 0xC5, 9)
    assert bench.read("channel0", 10**10) == 9
    assert bench.words()[0] == ("channel 0: counter of 9 edges, nothing at CLK/TRG, "
                                "interrupt enabled")


def test_prescaler_change_keeps_the_count() -> None:
    bench = Bench(CARD)
    set_up(bench, 0, 0x05, 100)
    assert bench.read("channel0", START + 16 * 40) == 60
    bench.write("channel0", 0x21)  # prescaler 256 from 40 * 16 = 640 on: next tap at 768
    assert bench.read("channel0", START + 767) == 60
    assert bench.read("channel0", START + 768) == 59
    assert bench.read("channel0", START + 768 + 256) == 58


def test_reading_a_stopped_channel_gives_where_it_stopped() -> None:
    bench = Bench(CARD)
    set_up(bench, 0, 0x05, 100)
    bench.write("channel0", 0x03, START + 16 * 40)
    assert bench.read("channel0", 10**6) == 60
    assert bench.words()[0] == "channel 0: stopped"


def test_last_of_several_waiting_constants_counts() -> None:
    bench = Bench(CARD)
    set_up(bench, 0, 0x05, 10)
    set_up(bench, 0, 0x05, 20, 50)
    set_up(bench, 0, 0x05, 30, 60)
    assert "then 30" in bench.words()[0]
    assert bench.read("channel0", START + 160) == 30


def test_timer_that_waits_starts_when_the_trigger_bit_goes() -> None:
    bench = Bench(CARD)
    set_up(bench, 0, 0x0D, 10)
    assert bench.read("channel0", 5000) == 10
    bench.write("channel0", 0x01, 5000)
    assert bench.read("channel0", 5000 + START + 16) == 9


def test_steady_clock_triggers_a_timer_once() -> None:
    bench = Bench(CARD, {"trigger-1": "1 kHz"}, hz="4 MHz")
    c = bench.s.channel[1]
    edge = int(c.in_t) + 4000
    set_up(bench, 1, 0x0D, 200, int(c.in_t) + 1)
    assert "waiting for a trigger" in bench.words()[1]
    assert bench.read("channel1", edge + 2 + 15) == 200
    assert bench.read("channel1", edge + 2 + 16) == 199
    assert bench.read("channel1", edge + 2 + 16 * 200 + 16 * 100) == 100


def test_timer_not_yet_triggered_takes_a_new_constant_at_once() -> None:
    bench = Bench(CARD, {"trigger-1": "1 kHz"}, hz="4 MHz")
    edge = int(bench.s.channel[1].in_t) + 4000
    set_up(bench, 1, 0x0D, 200, edge - 3000)
    set_up(bench, 1, 0x0D, 50, edge - 1000)
    assert bench.read("channel1", edge - 500) == 50
    assert bench.read("channel1", edge + 2 + 16 * 51) == 49


def test_trigger_bit_taken_back_before_a_steady_clock_strikes() -> None:
    bench = Bench(CARD, {"trigger-1": "1 kHz"}, hz="4 MHz")
    edge = int(bench.s.channel[1].in_t) + 4000
    set_up(bench, 1, 0x0D, 200, edge - 3000)
    bench.write("channel1", 0x01, edge - 2000)
    assert bench.read("channel1", edge - 2000 + START + 16 * 7) == 193


def test_choosing_the_other_edge_makes_one() -> None:
    """From memory: seen on silicon."""
    bench = Bench(CARD, wires=[(0, "zcto0", 0, "trigger1")])  # channel 0 rests: a low level
    set_up(bench, 1, 0x55, 10)
    bench.write("channel1", 0x41, 100)
    assert bench.read("channel1") == 9
    bench.write("channel1", 0x51, 200)  # back again: now the line stands at the wrong level
    assert bench.read("channel1") == 9
    (risk,) = CARD.risks(bench.m, bench.s)
    assert risk.startswith("choosing the other edge made 1 of channel 1")


def test_choosing_the_other_edge_makes_none_by_the_jumper() -> None:
    """The other reading (z80_ctc_more.md 4: 50 %)."""
    bench = Bench(CARD, {"edge-choice": "ignored"}, wires=[(0, "zcto0", 0, "trigger1")])
    set_up(bench, 1, 0x55, 10)
    bench.write("channel1", 0x41, 100)
    assert bench.read("channel1") == 10
    assert CARD.risks(bench.m, bench.s) == []


# --- interrupts -----------------------------------------------------------------------------
def test_one_flip_flop_a_channel() -> None:
    """Common practice, no source: a zero count that finds a request pending is lost."""
    bench = Bench(CARD)
    set_up(bench, 0, 0x85, 1)
    bench.advance(START + 16 * 10)
    assert int(bench.m.ip[0]) == 1
    assert "9 zero counts lost while one was pending" in bench.words()[0]
    bench.ack()
    assert bench.int_line == 0
    bench.advance(START + 16 * 11)  # asks again, but its own service holds it back
    assert (int(bench.m.ip[0]), bench.int_line) == (1, 0)
    bench.reti()
    assert bench.int_line == 1


def test_cpu_is_told_to_look_up_in_time() -> None:
    """A write is no reason for the core to look around: the card must make it."""
    bench = Bench(CARD)
    bench.m.next_event = 10**9
    set_up(bench, 0, 0x85, 1)
    assert int(bench.m.next_event) == START + 16 + 1  # /INT is sampled a T-state later
    set_up(bench, 1, 0x85, 100)
    assert int(bench.m.next_event) == START + 16 + 1


def test_pending_channel_needs_no_events() -> None:
    bench = Bench(CARD)
    set_up(bench, 0, 0x85, 1)
    bench.advance(100)
    assert int(bench.m.event_t[0]) == FAR
    bench.ack(105)
    assert int(bench.m.event_t[0]) == START + 16 * 7


def test_disabling_drops_the_request() -> None:
    """From memory."""
    bench = Bench(CARD)
    set_up(bench, 0, 0x85, 1)
    bench.advance(100)
    assert bench.int_line == 1
    bench.write("channel0", 0x01)
    assert bench.int_line == 0
    assert int(bench.m.event_t[0]) == FAR
    (risk,) = CARD.risks(bench.m, bench.s)
    assert risk.startswith("channel 0 was disabled 1 times with a request pending")


def test_a_request_outlives_its_enable_by_the_jumper() -> None:
    """The other reading (z80_ctc.md, interrupts: "uncertain")."""
    bench = Bench(CARD, {"disabled-request": "kept"})
    set_up(bench, 0, 0x85, 1)
    bench.advance(100)
    bench.write("channel0", 0x03)
    assert bench.int_line == 1
    bench.ack()
    bench.reti()
    assert bench.int_line == 0
    assert len(CARD.risks(bench.m, bench.s)) == 1


def test_reset_stops_everything_and_keeps_the_vector() -> None:
    """From memory."""
    bench = Bench(CARD)
    bench.write("channel0", 0x58, 0)
    for channel in range(4):
        set_up(bench, channel, 0x85, 1)
    bench.advance(100)
    bench.reset()
    bench.advance(10**6)
    assert bench.int_line == 0
    assert bench.words() == [*(f"channel {k}: stopped" for k in range(4)), "vector 58h"]
    assert int(bench.m.ieo[0]) == 1


def test_interrupt_jumper_cuts_the_line() -> None:
    bench = Bench(CARD, {"interrupt": False}, chain=[])
    set_up(bench, 0, 0x85, 1)
    bench.advance(1000)
    assert bench.int_line == 0


def test_vector_is_taken_at_channel_0_only() -> None:
    bench = Bench(CARD)
    bench.write("channel0", 0x30, 0)
    bench.write("channel2", 0x50, 0)
    assert "vector 30h" in bench.words()
    assert bench.words()[-1] == ("1 vectors written to another port than channel 0's, where the "
                                 "chip ignores them")


def test_vector_is_noise_from_the_seed_until_written() -> None:
    vectors = {int(Bench(CARD, seed=seed).s.vector) for seed in range(8)}
    assert len(vectors) > 2
    assert not {v for v in vectors if v & 7}
    assert int(Bench(CARD, seed=5).s.vector) == int(Bench(CARD, seed=5).s.vector)


# --- lines ----------------------------------------------------------------------------------
def output(bench: Bench, number: int) -> tuple[Fraction, Fraction]:
    """Give a steady output's period and stated edge, in T-states."""
    m = bench.m
    assert int(m.line_kind[0, number]) == 1
    den = int(m.line_den[0, number])
    return (Fraction(int(m.line_num[0, number]), den),
            int(m.line_t[0, number]) + Fraction(int(m.line_rem[0, number]), den))


def test_wired_timer_is_a_steady_clock_without_events() -> None:
    bench = Bench(CARD, wires=[(0, "zcto0", 0, "trigger3")])
    set_up(bench, 0, 0x05, 13)
    assert output(bench, 0) == (16 * 13, START + 16 * 13)
    assert int(bench.m.event_t[0]) == FAR
    bench.write("channel0", 0x03, 5000)
    assert int(bench.m.line_kind[0, 0]) == 0


def test_wired_counter_keeps_its_phase_in_fractions() -> None:
    bench = Bench(CARD, {"trigger-0": "2.951 MHz"}, hz="6.144 MHz",
                  wires=[(0, "zcto0", 0, "trigger1")])
    c = bench.s.channel[0]
    edge = int(c.in_t) + Fraction(int(c.in_rem), int(c.in_den))
    input_period = Fraction(6_144_000, 2_951_000)
    if edge == 0:
        edge += input_period
    set_up(bench, 0, 0x45, 5)
    assert output(bench, 0) == (5 * input_period, edge + 4 * input_period)


def test_new_constant_changes_the_output_at_the_zero_count() -> None:
    bench = Bench(CARD, wires=[(0, "zcto0", 0, "trigger1")])
    set_up(bench, 1, 0x45, 100)
    set_up(bench, 0, 0x05, 10)
    set_up(bench, 0, 0x05, 20, 100)
    assert output(bench, 0)[0] == 160
    assert int(bench.m.event_t[0]) == START + 160
    bench.advance(START + 160)
    assert output(bench, 0) == (320, START + 160)
    # pulses at 160, 480, 800: the listener has counted the fall of each once
    assert bench.read("channel1", START + 800) == 98
    assert bench.read("channel1", START + 801) == 97


def test_pulses_pass_on_when_the_clock_is_none() -> None:
    """A chain of counters behind a line that somebody moves by hand."""
    bench = Bench(CARD, also=[(CARD, {})], wires=[(1, "zcto0", 0, "trigger0"),
                                                  (0, "zcto0", 0, "trigger1")])
    from emu.bus.wires import drive_level

    set_up(bench, 0, 0x45, 2)
    set_up(bench, 1, 0xC5, 3)
    for pulse in range(6):
        assert bench.int_line == 0
        drive_level(bench.m, 1, 0, 1, 100 * pulse + 10)
        drive_level(bench.m, 1, 0, 0, 100 * pulse + 20)
        bench.advance(100 * pulse + 50)
    assert bench.int_line == 1
    assert [int(c.zeros) for c in bench.s.channel[:2]] == [3, 1]


def test_rising_and_falling_edges_are_told_apart() -> None:
    from emu.bus.wires import drive_level

    for control, after_fall in ((0x45, 4), (0x55, 5)):
        bench = Bench(CARD, also=[(CARD, {})], wires=[(1, "zcto0", 0, "trigger0")])
        drive_level(bench.m, 1, 0, 1, 10)
        set_up(bench, 0, control, 5, 20)
        drive_level(bench.m, 1, 0, 0, 50)
        assert bench.read("channel0", 60) == after_fall
        drive_level(bench.m, 1, 0, 1, 70)
        assert bench.read("channel0", 80) == 4


def test_wires_in_a_ring_end() -> None:
    bench = Bench(CARD, wires=[(0, "zcto0", 0, "trigger1"), (0, "zcto1", 0, "trigger0")])
    set_up(bench, 1, 0x45, 3)
    set_up(bench, 0, 0x05, 4)
    bench.write("channel0", 0x41, 100)  # now both are counters of each other
    bench.advance(10**6)
    assert bench.int_line == 0


# --- jumpers --------------------------------------------------------------------------------
def test_too_fast_a_clock_is_refused() -> None:
    for clock in ("cpu", "2.1 MHz"):
        with pytest.raises(InputError) as error:
            Bench(CARD, {"trigger-1": clock}, hz="4 MHz")
        assert str(error.value).endswith(
            "the chip cannot count faster than half the CPU clock; divide it, or use timer mode.")
    assert int(Bench(CARD, {"trigger-1": "2 MHz"}, hz="4 MHz").s.channel[1].in_num) == 2


def test_wire_and_oscillator_at_one_pin_are_refused() -> None:
    with pytest.raises(InputError, match="a wire ends at trigger1 already"):
        Bench(CARD, {"trigger-1": "1 MHz"}, wires=[(0, "zcto0", 0, "trigger1")])


# --- in a machine ---------------------------------------------------------------------------
PROGRAM = bytes.fromhex(
    "ED5E 3E01 ED47"  # IM 2; vector table at 0100h
    "3100C0 3E10 D328 3EA5 D328 3EF0 D328"  # SP; vector 10h; timer, 256 x 240
    "FB 18FE".replace(" ", ""))  # EI; wait
HANDLER = bytes.fromhex("2143C0 34 FB ED4D")  # LD HL,C043h; INC (HL); EI; RETI
PLANE = """
[backplane]
chain = ["ctc"]
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "tick.bin"
[slot.ctc]
card = "z80-ctc"
base = 0x28
"""


def test_tick_in_a_machine_is_neither_late_nor_lost(tmp_path: Path) -> None:
    image = bytearray(0x300)
    image[:len(PROGRAM)] = PROGRAM
    image[0x110:0x112] = b"\x00\x02"
    image[0x200:0x200 + len(HANDLER)] = HANDLER
    (tmp_path / "tick.bin").write_bytes(image)
    (tmp_path / "tick.toml").write_text(PLANE)
    machine = Machine(load(tmp_path / "tick.toml"))
    ctc = machine.slot("ctc")
    # Instructions before the constant's OUT take 8+7+9+10+7+11+7+11+7 T-states; its T3 is
    # 7 + 3 T-states further on, past the opcode and the port number.
    start = 8 + 7 + 9 + 10 + 7 + 11 + 7 + 11 + 7 + 10 + START
    for ticks in (1, 2, 5):
        due = start + ticks * 61440
        machine.run(due + 12 + 1)  # the wait loop takes 12 T-states a round
        assert int(machine.m.int_count[ctc.number]) == ticks
        assert due <= int(machine.m.int_last[ctc.number]) <= due + 12
    assert int(machine.m.reti_count[ctc.number]) >= 4
    assert int(ctc.state.channel[0].lost) == 0
