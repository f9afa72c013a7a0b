"""The 82C54 timer: modes, gates, reading, outputs, interrupts.

No sheet is at hand: the rules of the modes, marked by their names, are those of the 82C54 data
sheet from memory.  Twin: the clock's pulses at once against pulses one by one.
"""
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
from emu.backplane.rate_search import reach
from emu.bus.state import FAR, PERIODIC
from emu.errors import InputError
from emu.testing.card_contract import complaints
from peripherals import parallel_latch, z80_ctc
from peripherals.card import TICK
from peripherals.timer_8254 import CARD
from peripherals.timer_8254_counter import strike


def bench(native: bool = False, **settings: Any) -> Bench:
    """A timer whose counter 0 counts the CPU clock: a pulse each T-state, from 1 on."""
    return Bench(CARD, {"clk-0": "cpu", **{k.replace("_", "-"): v for k, v in settings.items()}},
                 native=native)


def program(b: Bench, mode: int, count: int, k: int = 0, t: int | None = None) -> int:
    """Write a control word and a count of two bytes; give the T-state of the last."""
    b.write("control", k << 6 | 0x30 | mode << 1, b.t + 10 if t is None else t)
    b.write(f"counter{k}", count & 0xFF)
    b.write(f"counter{k}", count >> 8 & 0xFF)
    return b.t


def out(b: Bench, t: int, k: int = 0) -> int:
    """OUT as the status byte tells it, after the pulse of T-state ``t``."""
    b.write("control", 0xE0 | 2 << k, t)
    return b.read(f"counter{k}") >> 7


def wave(b: Bench, start: int, pulses: int) -> str:
    """OUT after each pulse behind T-state ``start``."""
    return "".join(str(out(b, start + n)) for n in range(1, pulses + 1))


def gate(b: Bench, level: int, t: int, k: int = 0) -> None:
    b.advance(t)
    CARD.live[f"gate-{k}"](b.m, b.s, bool(level))


# --- the modes -------------------------------------------------------------------------------
@pytest.mark.parametrize("native", [False, True])
def test_mode_0_goes_high_behind_n_plus_1_pulses(native: bool) -> None:
    b = bench(native)
    assert wave(b, program(b, 0, 4), 8) == "00001111"


def test_mode_0_stops_at_the_first_byte_and_begins_anew() -> None:
    b = bench()
    t = program(b, 0, 4)
    b.write("counter0", 3, t + 3)
    assert wave(b, t + 3, 20) == "0" * 20
    b.write("counter0", 0)
    assert wave(b, b.t, 5) == "00011"


def test_mode_0_counts_only_while_gate_is_high() -> None:
    b = bench(gate_0=False)
    t = program(b, 0, 4)
    assert wave(b, t, 6) == "000000"
    gate(b, 1, t + 6)
    assert wave(b, t + 6, 5) == "00011"  # it was loaded: N pulses, not N + 1


def test_mode_1_gives_one_pulse_of_n_behind_a_trigger_and_again() -> None:
    b = bench(gate_0=False)
    t = program(b, 1, 3)
    assert wave(b, t, 4) == "1111"
    gate(b, 1, t + 4)
    assert wave(b, t + 4, 6) == "000111"
    gate(b, 0, b.t)
    gate(b, 1, b.t)
    assert wave(b, b.t, 2) == "00"
    gate(b, 0, b.t)
    gate(b, 1, b.t)  # a second trigger begins anew
    assert wave(b, b.t, 5) == "00011"


def test_mode_2_is_low_for_the_last_pulse_of_n() -> None:
    b = bench()
    assert wave(b, program(b, 2, 4), 13) == "1110111011101"


def test_mode_2_gate_holds_out_high_and_begins_anew() -> None:
    b = bench()
    t = program(b, 2, 4)
    assert wave(b, t, 4) == "1110"
    gate(b, 0, t + 4)
    assert wave(b, t + 4, 5) == "11111"
    gate(b, 1, b.t)
    assert wave(b, b.t, 6) == "111011"


def test_mode_2_takes_a_new_count_at_the_end_of_the_period() -> None:
    b = bench()
    t = program(b, 2, 6)
    b.write("counter0", 3, t + 3)
    b.write("counter0", 0)
    assert wave(b, t + 3, 10) == "1101101101"


@pytest.mark.parametrize(("count", "expected"), [(4, "1100110011"), (5, "1110011100"),
                                                 (2, "1010101010"), (3, "1101101101")])
def test_mode_3_is_a_square_wave_its_high_half_longer(count: int, expected: str) -> None:
    b = bench()
    assert wave(b, program(b, 3, count), 10) == expected


def test_mode_3_counts_by_two_from_an_even_number() -> None:
    b = bench()
    t = program(b, 3, 5)
    seen = []
    for n in range(1, 6):
        b.write("control", 0x00, t + n)
        seen.append(b.read("counter0"))
        b.read("counter0")
    assert seen == [4, 2, 0, 4, 2]


def test_mode_4_strobes_n_plus_1_pulses_behind_the_write() -> None:
    b = bench()
    assert wave(b, program(b, 4, 3), 8) == "11101111"


def test_mode_5_strobes_n_plus_1_pulses_behind_the_trigger() -> None:
    b = bench(gate_0=False)
    t = program(b, 5, 3)
    assert wave(b, t, 5) == "11111"
    gate(b, 1, t + 5)
    assert wave(b, t + 5, 8) == "11101111"


def test_modes_6_and_7_are_2_and_3() -> None:
    b = bench()
    assert wave(b, program(b, 6, 4), 5) == "11101"
    assert wave(b, program(b, 7, 4), 5) == "11001"


def test_a_count_of_0_is_the_longest() -> None:
    b = bench()
    t = program(b, 0, 0)
    assert (out(b, t + 65536), out(b, t + 65537)) == (0, 1)
    b = bench()
    b.write("control", 0x31, 10)
    b.write("counter0", 0)
    b.write("counter0", 0)
    assert (out(b, 10010), out(b, 10011)) == (0, 1)  # BCD: 10,000


def test_bcd_counts_in_tens() -> None:
    b = bench()
    b.write("control", 0x35, 10)  # mode 2, BCD
    b.write("counter0", 0x00)
    b.write("counter0", 0x01)  # 100
    b.write("control", 0x00, 12)
    assert (b.read("counter0"), b.read("counter0")) == (0x99, 0x00)


# --- reading and writing ---------------------------------------------------------------------
def test_a_latched_count_stays_until_it_is_read() -> None:
    b = bench()
    t = program(b, 2, 0x1234)
    b.write("control", 0x00, t + 1)
    b.write("control", 0x00, t + 100)  # a second latch does nothing
    assert (b.read("counter0"), b.read("counter0", t + 200)) == (0x34, 0x12)
    b.write("control", 0x00, t + 301)
    assert b.read("counter0") | b.read("counter0") << 8 == 0x1234 - 300


def test_read_back_latches_counts_and_states() -> None:
    b = bench()
    t = program(b, 2, 0x1000)
    b.write("control", 0xC2)  # count and status of counter 0, before the count is loaded
    status = b.read("counter0")
    assert status == 0x80 | 0x40 | 0x34  # OUT, null count, LSB then MSB, mode 2
    b.read("counter0")
    b.read("counter0")
    b.write("control", 0xC2, t + 1)
    assert b.read("counter0") == 0x80 | 0x34
    assert b.read("counter0") | b.read("counter0") << 8 == 0x1000


def test_one_byte_ways() -> None:
    b = bench()
    b.write("control", 0x14, 10)  # LSB only, mode 2
    b.write("counter0", 0x40)
    b.write("control", 0x00, 11)
    assert [b.read("counter0"), b.read("counter0")] == [0x40, 0x40]
    b.write("control", 0x24, 20)  # MSB only
    b.write("counter0", 0x02)
    b.write("control", 0x00, 21)
    assert b.read("counter0") == 0x02


def test_the_control_register_cannot_be_read() -> None:
    assert bench().read("control") == -1


def test_a_count_read_in_two_bytes_without_a_latch_is_told() -> None:
    b = bench()
    t = program(b, 2, 0x100)
    assert b.read("counter0", t + 1) == 0x00  # 100h
    assert b.read("counter0", t + 2) == 0x00  # and FFh: together 0000h, which never was
    assert "read in two bytes without a latch" in CARD.risks(b.m, b.s)[0]


# --- exactness -------------------------------------------------------------------------------
STEPS = st.lists(st.one_of(
    st.tuples(st.just("mode"), st.integers(0, 5), st.integers(0, 40)),
    st.tuples(st.just("count"), st.integers(0, 40), st.just(0)),
    st.tuples(st.just("gate"), st.integers(0, 1), st.just(0)),
    st.tuples(st.just("wait"), st.integers(1, 300), st.just(0)),
), min_size=3, max_size=25)


@settings(deadline=None, derandomize=True, max_examples=120)
@given(STEPS)
def test_pulses_at_once_are_pulses_one_by_one(steps: list[tuple[str, int, int]]) -> None:
    """A clock that is passed at once, and one whose edges come one by one: the same counter."""
    fast, slow = bench(), bench(clk_0="none")
    now = 10
    for what, value, more in steps:
        for b in (fast, slow):
            b.advance(now)
            if what == "mode":
                program(b, value, more, t=now)
            elif what == "count":
                b.write("counter0", value)
                b.write("counter0", 0)
            elif what == "gate":
                gate(b, value, now)
        length = value if what == "wait" else 1
        for t in range(now + 1, now + length + 1):
            strike(slow.m, slow.s, np.int64(0), np.int64(t))
        now += length
        fast.advance(now)
        fast.write("control", 0xE2)  # lets it catch up
        slow.write("control", 0xE2)
        assert fast.read("counter0") == slow.read("counter0")
        for name in ("count", "out", "rises", "fired", "runs"):
            assert fast.s.counter[0][name] == slow.s.counter[0][name], name


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(2, 65536), st.integers(1, 10**12),
       st.sampled_from(["1.536 MHz", "614.4 kHz", "2.951 MHz", "50 Hz"]))
def test_a_square_wave_of_another_crystal_is_exact_after_any_time(
        count: int, later: int, clock: str) -> None:
    b = bench(clk_0=clock)
    c = b.s.counter[0]
    period = Fraction(int(c.num), int(c.den))
    t = program(b, 3, count & 0xFFFF)
    first = int(c.edge_t) + Fraction(int(c.edge_rem), int(c.den))  # the pulse that loads
    assert t < first or first == t
    level = out(b, t + later)
    gone = t + later - first
    if gone < 0:
        assert level == 1
    else:
        pulses = gone // period % count
        assert level == (1 if pulses < (count + 1) // 2 else 0)
    assert b.m.event_t[0] == FAR  # nobody listens: no events


# --- lines and interrupts --------------------------------------------------------------------
def test_a_steady_out_is_a_clock_for_a_ctc() -> None:
    """Counter 0 divides by 10; a CTC counts its falling edges, and needs no events for it."""
    b = Bench(CARD, {"clk-0": "cpu"}, also=[(z80_ctc.CARD, {})],
              wires=((0, "out0", 1, "trigger0"),))
    b.write("channel0", 0x45, 2, slot=1)  # counter, falling edges
    b.write("channel0", 200, slot=1)
    t = program(b, 3, 10)
    b.advance(t + 2)
    assert int(b.m.line_kind[0, 0]) == PERIODIC and int(b.m.event_t[0]) == FAR
    for n in range(1, 30):  # OUT falls behind the load pulse and five more
        passed = 0 if t + n * 7 < t + 6 else (n * 7 - 6) // 10 + 1
        assert b.read("channel0", t + n * 7, slot=1) == 200 - passed


def test_a_steady_out_is_seen_at_an_input_that_is_no_clock() -> None:
    b = Bench(CARD, {"clk-0": "cpu"}, also=[(parallel_latch.CARD, {})],
              wires=((0, "out0", 1, "i0"),))
    t = program(b, 3, 10)
    seen = "".join(str(b.read("inputs", t + n, slot=1) & 1) for n in range(1, 22))
    assert seen == "111110000011111000001"  # the first pulse loads


def test_counters_in_a_row_and_a_clock_by_hand() -> None:
    """OUT 0 clocks counter 1; a latch's line clocks counter 2, edge by edge."""
    b = Bench(CARD, {"clk-0": "cpu"}, also=[(parallel_latch.CARD, {})],
              wires=((0, "out0", 0, "clk1"), (1, "q0", 0, "clk2")))
    program(b, 2, 10)
    t = program(b, 0, 3, 1)
    assert out(b, t + 25, 1) == 0
    assert out(b, t + 45, 1) == 1
    program(b, 0, 2, 2)
    seen = []
    for _ in range(4):
        b.write("outputs", 1, b.t + 5, slot=1)
        b.write("outputs", 0, b.t + 5, slot=1)
        seen.append(out(b, b.t + 1, 2))
    assert seen == [0, 0, 1, 1]


def test_a_gate_on_a_wire() -> None:
    b = Bench(CARD, {"clk-0": "cpu"}, also=[(parallel_latch.CARD, {})],
              wires=((1, "q0", 0, "gate0"),))
    t = program(b, 1, 3)
    b.write("outputs", 1, t + 5, slot=1)
    assert wave(b, t + 5, 5) == "00011"


@pytest.mark.parametrize("native", [False, True])
def test_the_flip_flop_of_the_interrupt(native: bool) -> None:
    b = bench(native, interrupt=True)
    t = program(b, 2, 100)
    b.advance(t + 50)
    assert b.int_line == 0
    b.advance(t + 101)  # loaded by the first pulse: OUT is low at the 100th, and rises behind it
    assert b.int_line == 1
    b.write("acknowledge", 0, t + 150)
    assert b.int_line == 0
    b.advance(t + 301)
    assert b.int_line == 1 and int(b.s.lost) == 1


def test_an_interrupt_by_level() -> None:
    b = bench(interrupt=True, interrupt_latch=False)
    t = program(b, 0, 5)
    b.advance(t + 5)
    assert b.int_line == 0
    b.advance(t + 6)
    assert b.int_line == 1
    program(b, 0, 5)
    assert b.int_line == 0


# --- what it says ----------------------------------------------------------------------------
def codes(b: Bench) -> list[str]:
    return [trouble.code for trouble in CARD.troubles(b.m, b.s)]


def test_half_a_count_is_told_and_mended() -> None:
    b = bench(interrupt=True)
    b.write("control", 0x34, 10)
    b.write("counter0", 50)
    assert codes(b) == ["timer-half-count"]
    CARD.troubles(b.m, b.s)[0].mend(b.m, b.s)
    b.advance(b.t + 60)
    assert b.int_line == 1 and codes(b) == []


def test_a_gate_that_holds_is_told_and_mended() -> None:
    for mode in (1, 2):
        b = bench(interrupt=True, gate_0=False)
        program(b, mode, 50)
        assert codes(b) == ["timer-gated"]
        CARD.troubles(b.m, b.s)[0].mend(b.m, b.s)
        b.advance(b.t + 60)
        assert b.int_line == 1


def test_a_count_that_has_ended_is_told_and_mended() -> None:
    b = bench(interrupt=True)
    t = program(b, 0, 50)
    b.advance(t + 60)
    b.write("acknowledge", 0)
    assert codes(b) == ["timer-ended"]
    CARD.troubles(b.m, b.s)[0].mend(b.m, b.s)
    b.advance(b.t + 60)
    assert b.int_line == 1


def test_a_clock_that_is_too_fast_is_refused() -> None:
    with pytest.raises(InputError, match="counts 10 MHz"):
        bench(clk_1="12 MHz")


def test_a_tick_is_declared() -> None:
    b = bench(interrupt=True)
    program(b, 3, 61440)
    b.advance(b.t + 10)
    tick, = CARD.ticks(b.m, b.s)
    assert (tick.period, tick.source) == (61440, 0)
    assert "100 Hz" in b.words()[0]


def test_a_run_is_the_same_however_it_is_made(roms: Path) -> None:
    assert complaints(load(roms / "drivers" / "timer" / "timer.toml"), Fraction(1, 10)) == []


def test_it_says_how_to_reach_a_rate(roms: Path) -> None:
    """614.4 kHz / 6144 are 100 Hz: a control word of mode 3 (36h) and the count's two bytes."""
    machine = load(roms / "drivers" / "timer" / "timer.toml")
    way = reach(machine, TICK, Fraction(100), "timer")[0].way
    assert way.rate == 100
    assert [write.byte for write in way.writes] == [0x36, 0x00, 0x18]
