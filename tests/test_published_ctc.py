"""The Z80 CTC against the peripherals manual (UM0081, the CTC chapter)."""
from __future__ import annotations

from fractions import Fraction

import pytest
from card_bench import Bench

from peripherals.z80_ctc import CARD
from peripherals.z80_pio import CARD as PIO

TIMER_16, TIMER_256, COUNTER = 0x85, 0xA5, 0xC5  # interrupt on, a constant follows
START = 2  # T-states from the OUT's T3 to T2 of the next machine cycle


def timer(hz: str, prescaler: int, constant: int) -> Bench:
    """Start channel 0 as a timer with its constant written at T-state 0."""
    bench = Bench(CARD, hz=hz)
    bench.write("channel0", TIMER_16 if prescaler == 16 else TIMER_256, 0)
    bench.write("channel0", constant & 0xFF, 0)
    return bench


def requests(bench: Bench, count: int) -> list[int]:
    """Give the T-states of the next requests, each acknowledged and ended at once."""
    seen = []
    while len(seen) < count:
        bench.advance(int(bench.m.event_t[0]))
        if bench.int_line:
            seen.append(bench.t)
            bench.ack()
            bench.reti()
    return seen


# UM0081 p.35 and p.39: the period is tCLK x P x TC; the rates follow from that.
PERIODS = [
    ("2.4576 MHz", 16, 1, "153600"), ("2.4576 MHz", 256, 256, "37.5"),
    ("2.4576 MHz", 256, 192, "50"),
    ("4 MHz", 16, 1, "250000"), ("4 MHz", 16, 250, "1000"), ("4 MHz", 16, 256, "976.5625"),
    ("4 MHz", 256, 1, "15625"), ("4 MHz", 256, 256, "61.03515625"),
    ("4 MHz", 256, 156, "15625/156"),
    ("6.144 MHz", 16, 1, "384000"), ("6.144 MHz", 256, 120, "200"),
    ("6.144 MHz", 256, 192, "125"), ("6.144 MHz", 256, 256, "93.75"),
    ("8 MHz", 16, 250, "2000"), ("10 MHz", 256, 256, "152.587890625"),
]


@pytest.mark.parametrize(("hz", "prescaler", "constant", "rate"), PERIODS)
def test_period_is_clock_times_prescaler_times_constant(
        hz: str, prescaler: int, constant: int, rate: str) -> None:
    bench = timer(hz, prescaler, constant)
    first, *rest = requests(bench, 4)
    period = prescaler * constant
    assert first == START + period  # UM0081 p.39: starts at T2 of the next machine cycle
    assert rest == [first + period, first + 2 * period, first + 3 * period]
    assert bench.hz / (rest[1] - rest[0]) == Fraction(rate)


def test_a_5_ms_tick_at_6_144_mhz_takes_30720_t_states() -> None:
    first, second = requests(timer("6.144 MHz", 256, 120), 2)
    assert second - first == 30720
    assert Fraction(second - first) / 6_144_000 == Fraction(5, 1000)


# Cascades, from p.35 (both modes' periods multiply): clock, P, TC of the timer, counter, rate.
CASCADES = [
    ("6.144 MHz", 256, 120, 4, 50), ("6.144 MHz", 16, 30, 256, 50),
    ("6.144 MHz", 16, 32, 200, 60), ("4 MHz", 16, 20, 250, 50), ("4 MHz", 16, 10, 250, 100),
]


@pytest.mark.parametrize(("hz", "prescaler", "constant", "edges", "rate"), CASCADES)
def test_counter_counts_the_zero_counts_of_the_channel_before(
        hz: str, prescaler: int, constant: int, edges: int, rate: int) -> None:
    bench = Bench(CARD, hz=hz, wires=[(0, "zcto0", 0, "trigger1")])
    bench.write("channel1", COUNTER, 0)
    bench.write("channel1", edges & 0xFF, 0)
    bench.write("channel0", 0x05 if prescaler == 16 else 0x25, 0)
    bench.write("channel0", constant & 0xFF, 0)
    first, second, third = requests(bench, 3)
    # it counts falling edges here: 1.5 T-states behind the zero count (p.34; width: memory)
    assert first == START + prescaler * constant * edges + 1
    assert second - first == third - second
    assert bench.hz / (second - first) == rate


# UM0081 p.40: V7-V3 as programmed, bits 2 and 1 the channel's number, bit 0 always 0.
@pytest.mark.parametrize(("written", "vectors"), [
    (0x00, (0x00, 0x02, 0x04, 0x06)), (0x10, (0x10, 0x12, 0x14, 0x16)),
    (0xF8, (0xF8, 0xFA, 0xFC, 0xFE)), (0x16, (0x10, 0x12, 0x14, 0x16)),
])
def test_vector_holds_the_channel_number(written: int, vectors: tuple[int, ...]) -> None:
    bench = Bench(CARD)
    bench.write("channel0", written, 0)
    for channel in range(4):
        bench.write(channel, TIMER_16, 0)
        bench.write(channel, 1, 0)
    bench.advance(100)
    given = []
    for _ in range(4):  # p.25, p.46: channel 0 has the highest priority, channel 3 the lowest
        given.append(bench.ack())
        bench.write(len(given) - 1, 0x03)  # so that it asks no more
        bench.reti()
    assert tuple(given) == vectors
    assert bench.ack() == -1


def test_nested_service_as_in_the_manual() -> None:
    """UM0081 p.48: channel 2 is served, channel 1 interrupts, RETI ends channel 1 first."""
    bench = Bench(CARD)
    bench.write("channel0", 0x40, 0)
    bench.write("channel2", TIMER_16, 0)
    bench.write("channel2", 10, 0)  # at 162
    bench.write("channel1", TIMER_16, 0)
    bench.write("channel1", 20, 0)  # at 322
    assert bench.ack(170) == 0x44
    bench.write("channel2", 0x03)
    assert bench.int_line == 0
    bench.advance(330)
    assert bench.int_line == 1
    assert bench.ack() == 0x42
    bench.write("channel1", 0x03)
    assert int(bench.m.ius[0]) == 0b110
    bench.reti()
    assert int(bench.m.ius[0]) == 0b100  # the service of channel 2 goes on
    assert int(bench.m.ieo[0]) == 0
    bench.reti()
    assert int(bench.m.ius[0]) == 0
    assert int(bench.m.ieo[0]) == 1


def test_lower_channel_waits_for_the_service_of_a_higher_one() -> None:
    """UM0081 p.46."""
    bench = Bench(CARD)
    bench.write("channel0", 0x40, 0)
    bench.write("channel0", TIMER_16, 0)
    bench.write("channel0", 2, 0)
    assert bench.ack(40) == 0x40
    bench.write("channel0", 0x03)
    bench.write("channel3", TIMER_16, 50)
    bench.write("channel3", 1, 50)
    bench.advance(100)
    assert int(bench.m.ip[0]) == 0b1000
    assert bench.int_line == 0
    bench.reti()
    assert bench.int_line == 1
    assert bench.ack() == 0x46


def test_new_constant_waits_for_the_zero_count() -> None:
    """UM0081 p.39 and p.40: a running channel first counts to zero."""
    bench = timer("4 MHz", 16, 100)
    first = START + 1600
    bench.write("channel0", TIMER_16, 500)
    bench.write("channel0", 10, 520)
    assert requests(bench, 3) == [first, first + 160, first + 320]


def test_reset_bit_stops_and_a_constant_restarts() -> None:
    """UM0081 p.39: with bits 1 and 2 set the channel starts when the constant arrives."""
    bench = timer("4 MHz", 16, 100)
    bench.write("channel0", TIMER_16 | 2, 500)
    assert int(bench.m.event_t[0]) > 10**12
    bench.write("channel0", 10, 3000)
    assert requests(bench, 2) == [3000 + START + 160, 3000 + START + 320]


def test_no_counting_before_the_first_constant() -> None:
    """UM0081 p.39."""
    bench = Bench(CARD)
    bench.write("channel0", 0x81, 0)
    bench.advance(10**9)
    assert int(bench.s.channel[0].zeros) == 0
    assert bench.int_line == 0


def test_constant_may_look_like_a_control_word_or_a_vector() -> None:
    """UM0081 p.39-40: the byte after bit 2 is the constant whatever its bit 0."""
    for constant in (0x83, 0x40):
        bench = timer("4 MHz", 16, constant)
        assert requests(bench, 1) == [START + 16 * constant]


def test_trigger_starts_the_timer_at_the_second_rising_clock_edge() -> None:
    """UM0081 p.36 and p.39: bit 3 makes a timer wait for CLK/TRG."""
    bench = Bench(CARD, wires=[(0, "zcto0", 0, "trigger1")])
    bench.write("channel1", 0x8D, 0)
    bench.write("channel1", 5, 0)
    bench.advance(100_000)
    assert bench.int_line == 0
    assert "waiting for a trigger" in bench.words()[1]
    bench.write("channel0", 0x05, 100_000)
    bench.write("channel0", 100, 100_000)  # its first zero count is the trigger
    trigger = 100_000 + START + 1600 + 1  # ZC/TO falls in the T-state behind
    assert requests(bench, 2) == [trigger + 2 + 80, trigger + 2 + 160]


def test_counter_divides_an_oscillator_to_a_bit_clock() -> None:
    """UM0081 p.35, counter mode: 1.536 MHz / 10 is sixteen times 9600 baud."""
    bench = Bench(CARD, {"trigger-0": "1.536 MHz"}, hz="6.144 MHz",
                  wires=[(0, "zcto0", 0, "trigger1")])
    bench.write("channel0", 0x45, 0)
    bench.write("channel0", 10, 0)
    m = bench.m
    assert bench.hz * int(m.line_den[0, 0]) / int(m.line_num[0, 0]) == 9600 * 16


def test_tick_takes_a_fourth_of_a_4_mhz_machine() -> None:
    """1 kHz tick of a 1000 T-state handler entered in 19: (19 + 1000) / 4000 = 25.475 %."""
    bench = timer("4 MHz", 16, 250)
    first, second = requests(bench, 2)
    assert Fraction(19 + 1000, second - first) == Fraction("0.25475")


# --- ZC/TO as a line ------------------------------------------------------------------------
# UM0081 p.34: "pulsed active (High)" in counter and in timer mode; the width of 1.5 clock
# periods from memory (shared/facts/z80_ctc_more.md 1), of which whole T-states are seen.
def beside_a_pio(control: int, constant: int) -> Bench:
    """A CTC whose ZC/TO 0 goes to a PIO's pin A0, in mode 3, and to BSTB, in mode 1."""
    bench = Bench(CARD, {"trigger-0": "500 kHz"}, also=[(PIO, {})], hz="4 MHz",
                  wires=[(0, "zcto0", 1, "a0"), (0, "zcto0", 1, "bstb")])
    for register, byte in (("control-a", 0x40), ("control-a", 0xCF), ("control-a", 0xFF),
                           ("control-a", 0xB7), ("control-a", 0xFE), ("control-b", 0x4F)):
        bench.write(register, byte, bench.t + 11, slot=1)
    bench.write("channel0", control, bench.t + 11)
    bench.write("channel0", constant, bench.t + 11)
    return bench


@pytest.mark.parametrize(("control", "constant"), [(0x05, 25), (0x45, 50), (0x25, 2)])
def test_zcto_pulses_high_at_a_pins_input_in_timer_and_counter_mode(control: int,
                                                                   constant: int) -> None:
    bench = beside_a_pio(control, constant)
    period = (512 if control == 0x25 else 400)
    pins, rises, levels = bench.states[1].port[0], [], []
    for t in range(bench.t, bench.t + 3 * period + 10):
        bench.advance(t)
        levels.append(int(pins.pins) & 1)
        if bench.int_line:
            rises.append(t)
            assert bench.ack() == 0x40  # mode 3, high active: the PIO asks at each pulse
            bench.reti()
    assert len(rises) == 3 and {b - a for a, b in zip(rises, rises[1:], strict=False)} == {period}
    assert sum(levels) == 3  # T-states that begin with the pulse in them, one a pulse
    assert levels[0] == levels[-1] == 0
    assert int(bench.states[1].port[1].strobes) == 3  # the rising edge of each ends a strobe


def test_zcto_rests_low_after_reset_and_when_stopped() -> None:
    """UM0081 p.34; low while stopped: memory, 90 %."""
    bench = beside_a_pio(0x05, 25)
    assert bench.m.line_level[0, :3].tolist() == [0, 0, 0]
    bench.advance(bench.t + 402)
    bench.write("channel0", 0x03)
    bench.advance(bench.t + 2000)
    assert int(bench.m.line_level[0, 0]) == 0 and int(bench.states[1].port[0].pins) & 1 == 0
    bench.reset()
    assert bench.m.line_level[0, :3].tolist() == [0, 0, 0]


def test_a_counter_sees_the_same_pulses_with_either_edge() -> None:
    """z80_ctc_more.md 4: the same number of counts, the falling edge a little later."""
    seen = []
    for control in (0xC5, 0xD5):
        bench = Bench(CARD, wires=[(0, "zcto0", 0, "trigger1")])
        bench.write("channel1", control, 0)
        bench.write("channel1", 3, 0)
        bench.write("channel0", 0x05, 0)
        bench.write("channel0", 10, 0)
        seen.append(requests(bench, 3))
    assert [fall - rise for fall, rise in zip(*seen, strict=True)] == [1, 1, 1]
    assert seen[1] == [START + 480 * k for k in (1, 2, 3)]
