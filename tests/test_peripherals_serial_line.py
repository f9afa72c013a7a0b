"""The serial wire against a slow twin in fractions, and its two ends on a card."""
from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from card_bench import Bench, type_keys
from hypothesis import given, settings
from hypothesis import strategies as st
from serial_twin import Frame, Heard, receive

from emu.errors import InputError
from peripherals.acia_6850 import CARD as ACIA
from peripherals.serial_setup import read_format
from peripherals.serial_wave import (
    CHARACTER,
    CLOCK,
    EAR,
    FRAMING_ERROR,
    MARK,
    NOTHING,
    PARITY_ERROR,
    WAVE,
    agrees,
    align,
    end_rem,
    end_t,
    listen,
    put,
)

RUN = settings(max_examples=100, deadline=None, derandomize=True)
PARITIES = "NOE"


def record(dtype: np.dtype, **fields: int) -> Any:
    """Make one record with some fields set."""
    made = np.zeros(1, dtype).view(np.recarray)[0]
    for name, value in fields.items():
        made[name] = value
    return made


def point(t: int, rem: int, den: int) -> Fraction:
    """Read a point of time."""
    return int(t) + Fraction(int(rem), int(den))


periods = st.fractions(min_value=Fraction(1, 3), max_value=40, max_denominator=1200)


# --- clocks -----------------------------------------------------------------------------
@RUN
@given(periods, st.integers(-40, 40), periods, st.integers(0, 10**13), st.fractions(0, Fraction(
    999, 1000), max_denominator=1000))
def test_a_clock_finds_its_first_edge_at_or_after_any_time(
        period: Fraction, t: int, offset: Fraction, far: int, part: Fraction) -> None:
    clock = record(CLOCK, t=t, rem=offset % 1 * period.denominator // 1, num=period.numerator,
                   den=period.denominator)
    edge = point(clock.t, clock.rem, clock.den)
    align(clock, np.int64(far), np.int64(part.numerator), np.int64(part.denominator))
    got = point(clock.t, clock.rem, clock.den)
    assert (got - edge) % period == 0 and got >= edge
    if edge < far + part:
        assert far + part <= got < far + part + period


# --- the receiver against its twin --------------------------------------------------------
@st.composite
def traffic(draw: st.DrawFn) -> tuple[list[Frame], dict[str, Any]]:
    """Draw frames on a line and a receiver whose rate may be wrong by far."""
    bits = draw(st.integers(5, 8))
    ratio = draw(st.sampled_from([1, 16, 32, 64]))
    period = draw(periods)
    ear = {"ratio": ratio, "period": period, "edge": Fraction(draw(st.integers(-9, 0))),
           "bits": draw(st.sampled_from([bits, 5, 8])), "parity": draw(st.sampled_from(PARITIES))}
    skew = draw(st.sampled_from([Fraction(1), Fraction(1), Fraction(103, 100), Fraction(97, 100),
                                 Fraction(9, 8), Fraction(1, 2), Fraction(3, 2), Fraction(2),
                                 Fraction(1, 40), Fraction(5)]))
    bit = period * ratio * skew
    parity = draw(st.sampled_from([ear["parity"], *PARITIES]))
    frames: list[Frame] = []
    at = Fraction(draw(st.integers(0, 30)))
    for byte in draw(st.lists(st.integers(0, 255), min_size=1, max_size=4)):
        frames.append(Frame(at, bit, byte, bits, parity,
                            draw(st.sampled_from([Fraction(1), Fraction(3, 2), Fraction(2)]))))
        at = frames[-1].end + draw(st.sampled_from([Fraction(0), Fraction(0), Fraction(7, 3)]))
    return frames, ear


def put_frame(wave: Any, frame: Frame) -> None:
    """Lay a twin's frame on the wave."""
    half = frame.bit / 2
    wave.num, wave.den = half.numerator, half.denominator
    scale = np.lcm(half.denominator, frame.start.denominator)
    wave.num, wave.den = half.numerator * (scale // half.denominator), scale
    wave.t = frame.start // 1
    wave.rem = int(frame.start % 1 * int(scale))
    put(wave, np.int64(frame.byte), np.int64(frame.bits), np.int64(PARITIES.index(frame.parity)),
        np.int64(int(frame.stop * 2)))
    assert point(end_t(wave), end_rem(wave), wave.den) == frame.end


def hear(frames: list[Frame], ear: dict[str, Any], until: int, whole: bool,
         slices: list[Fraction]) -> list[Heard]:
    """Let the code under test listen, frame by frame, stopping also at ``slices``."""
    period = ear["period"]
    r = record(EAR, on=1, seen=1, t=ear["edge"] // 1, num=period.numerator,
               den=period.denominator, ratio=ear["ratio"], bits=ear["bits"],
               parity=PARITIES.index(ear["parity"]))
    wave = record(WAVE, rest=1, num=1, den=1)
    out: list[Heard] = []

    def listen_to(stop: Fraction) -> None:
        for limit in [*(s for s in slices if s < stop), stop]:
            while True:
                got = listen(r, wave, np.int64(limit // 1), np.int64((limit % 1).numerator),
                             np.int64((limit % 1).denominator))
                if got == NOTHING:
                    break
                if got == CHARACTER:
                    # the look itself was one period before the receiver's next one
                    at = point(r.t, r.rem, r.den) - period
                    assert int(r.done_t) == -(-at // 1)
                    out.append(Heard(at, int(r.byte), bool(r.error & PARITY_ERROR),
                                     bool(r.error & FRAMING_ERROR)))
                else:
                    assert got == MARK

    for frame in frames:
        listen_to(frame.start)
        put_frame(wave, frame)
        if whole:
            wave.agree = agrees(r, wave.num, wave.den, np.int64(frame.bits),
                                np.int64(PARITIES.index(frame.parity)))
        listen_to(frame.end)
        wave.active = 0
    listen_to(Fraction(until))
    return out


@RUN
@given(traffic(), st.lists(st.fractions(0, 3000, max_denominator=7), max_size=5))
def test_receiver_makes_of_any_line_what_its_twin_makes(
        drawn: tuple[list[Frame], dict[str, Any]], slices: list[Fraction]) -> None:
    frames, ear = drawn
    until = int(frames[-1].end + 14 * ear["ratio"] * ear["period"]) + 1
    if (until - ear["edge"]) / ear["period"] > 30_000:
        return
    expected = list(receive(frames, ear["edge"], ear["period"], ear["ratio"], ear["bits"],
                            ear["parity"], Fraction(until)))
    assert hear(frames, ear, until, False, sorted(slices)) == expected
    assert hear(frames, ear, until, True, []) == expected


def test_whole_frames_are_taken_only_where_every_look_is_safe() -> None:
    """A x16 receiver of 8N1 stands some 4.5 % too slow and 5 % too fast a sender: its start is
    up to 1/16 bit late, the last look stands in the middle of the tenth bit."""
    r = record(EAR, num=1, den=1, ratio=16, bits=8)
    verdict = {bit: agrees(r, np.int64(bit), np.int64(200), np.int64(8), np.int64(0))
               for bit in range(1400, 1800, 10)}
    good = [bit for bit, safe in verdict.items() if safe]
    # 153 periods at most to the last look < 10 bits; 152 periods at least >= 9 bits
    assert good == [bit for bit in range(1400, 1800, 10)
                    if Fraction(153, 10) <= Fraction(bit, 100) <= Fraction(152, 9)]
    assert agrees(r, np.int64(1600), np.int64(200), np.int64(7), np.int64(0)) == 0
    assert agrees(r, np.int64(1600), np.int64(200), np.int64(8), np.int64(1)) == 0


# --- both ends on a card ------------------------------------------------------------------
def acia(control: int = 0x15, **given: Any) -> Bench:
    """Set up an ACIA at /16, 8N1 (or as told)."""
    bench = Bench(ACIA, given, hz="6.144 MHz")
    bench.write("control", 3, 10)
    bench.write("control", control, 21)
    return bench


def send(bench: Bench, data: bytes) -> bytes:
    """Send by polling, wait, and give what the terminal shows."""
    for byte in data:
        while not bench.read("control") & 2:
            bench.advance(bench.t + 13)
        bench.write("data", byte)
    bench.advance(bench.t + 200_000)
    line = bench.s.line
    return bytes(line.shown[:int(line.shown_in)])


def collect(bench: Bench, until: int, step: int = 37) -> bytes:
    """Poll for received bytes until a T-state."""
    out = bytearray()
    while bench.t < until:
        bench.advance(min(until, bench.t + step))
        if bench.read("control") & 1:
            out.append(bench.read("data"))
    return bytes(out)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.binary(min_size=1, max_size=5), st.sampled_from(["8N1", "7E1"]), st.integers(0, 99))
def test_bytes_arrive_unchanged_both_ways_at_matched_rates(
        data: bytes, form: str, seed: int) -> None:
    control = {"8N1": 0x15, "7E1": 0x09}[form]
    if form == "7E1":
        data = bytes(b & 0x7F for b in data)
    bench = Bench(ACIA, {"terminal": {"format": form}}, hz="6.144 MHz", seed=seed)
    bench.write("control", 3, 10)
    bench.write("control", control, 21)
    assert send(bench, data) == data
    type_keys(bench, data, bench.t + 5)
    assert collect(bench, bench.t + 700 * (len(data) + 1)) == data
    assert not bench.s.line.term_framing_errors + bench.s.line.term_parity_errors


def test_taking_frames_whole_gives_what_looking_at_each_bit_gives() -> None:
    for baud in (96000, 93300, 99100):
        shown = []
        for whole in (True, False):
            bench = acia(terminal={"baud": baud})
            assert bench.s.line.match_out == bench.s.line.match_in == 1
            if not whole:
                bench.s.line.match_out = bench.s.line.match_in = 0
            text = send(bench, bytes(range(0, 256, 5)))
            type_keys(bench, b"typed", bench.t + 3)
            keys = collect(bench, bench.t + 5000)
            line = bench.s.line
            shown.append((text, keys, list(line.shown_t[:int(line.shown_in)])))
        assert shown[0] == shown[1]
        assert shown[0][:2] == (bytes(range(0, 256, 5)), b"typed")


@pytest.mark.parametrize(("divisor", "form", "count"), [
    # a line twice as fast as the terminal thinks: 20 line bits make up two of its characters
    (0x15, {"baud": 48000}, None),
    # a line a quarter as fast: each 0 bit looks like four, so a character falls apart
    (0x16, {"baud": 96000}, None),
])
def test_wrong_divisor_gives_garbage_of_another_length(
        divisor: int, form: dict[str, Any], count: None) -> None:
    bench = acia(divisor, terminal=form)
    shown = send(bench, b"\x55\xAAOK" * 6)
    assert shown and shown != b"\x55\xAAOK" * 6 and len(shown) != 24
    assert "they do not understand each other" in bench.words()[0]


def test_one_fast_character_on_a_slow_terminal_is_the_byte_its_looks_find() -> None:
    """Worked by hand: 0Fh 8N1 at 96000 is low for 1 bit, high for 4, low for 4, then high.
    A 48000 receiver looks after 1, 3, 5, 7, 9, 11 ... of those bits (each up to 1/8 late):
    high (so no start bit) for its first look; it then finds the second fall, at bit 5, looks
    after 6 (low: a start bit), 8 (low), 10 and later (high): data 11111110."""
    bench = acia(terminal={"baud": 48000})
    assert send(bench, b"\x0F") == b"\xFE"


def test_break_shows_as_one_nul_and_is_counted() -> None:
    bench = acia()
    bench.write("control", 0x75, 1000)
    bench.advance(9000)
    bench.write("control", 0x15, 9000)
    assert send(bench, b"ok") == b"\0ok"
    assert bench.s.line.term_breaks == 1
    assert any("1 breaks" in words for words in bench.words())


def test_typed_bytes_wait_for_their_time_and_for_rts() -> None:
    bench = acia(terminal={"flow": "rts-cts"})
    type_keys(bench, b"A", 5000)
    assert collect(bench, 5600, 1) == b"" and collect(bench, 5700, 1) == b"A"
    bench.write("control", 0x55, 6000)  # RTS high
    type_keys(bench, b"B", 6100)
    assert collect(bench, 20_000) == b""
    assert any("held back by RTS" in words for words in bench.words())
    bench.write("control", 0x15, 20_000)
    assert collect(bench, 20_000 + 600, 1) == b"" and collect(bench, 20_640, 1) == b"B"


def test_a_change_in_the_middle_of_a_character_moves_nothing() -> None:
    """A break on the card's own TxD is none of its receiver's business."""
    arrivals = []
    for disturbed in (False, True):
        bench = acia()
        type_keys(bench, b"U", 5000)
        if disturbed:
            bench.write("control", 0x75, 5333)
            bench.write("control", 0x15, 5391)
        while not bench.read("control") & 1:
            bench.advance(bench.t + 1)
        arrivals.append((bench.t, bench.read("data"), bench.s.line.ear.error))
    assert arrivals[0] == arrivals[1] and arrivals[0][1] == ord("U")


def test_rts_is_not_looked_at_without_flow_control() -> None:
    bench = acia(0x55)
    type_keys(bench, b"A", 5000)
    assert collect(bench, 5700) == b"A"


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.binary(min_size=1, max_size=4), st.sampled_from([
    ("7O1", 0x0D, "7E1"), ("8O1", 0x1D, "8E1"), ("7E1", 0x09, "7O1"), ("8E1", 0x19, "8O1")]))
def test_the_other_parity_is_an_error_in_every_character(
        data: bytes, formats: tuple[str, int, str]) -> None:
    _, control, terminal = formats
    bench = acia(control, terminal={"format": terminal})
    data = bytes(b & 0x7F for b in data)
    assert send(bench, data) == data
    assert bench.s.line.term_parity_errors == len(data)
    for byte in data:
        type_keys(bench, bytes([byte]), bench.t)
        bench.advance(bench.t + 1000)
        assert bench.read("control") & 0x51 == 0x41  # RDRF, PE, no FE
        assert bench.read("data") == byte


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.integers(0, 10**12),
       st.sampled_from(["6.144 MHz", "4 MHz", "5.0688 MHz", "3.579545 MHz"]))
def test_nothing_drifts_over_a_million_million_t_states(late: int, hz: str) -> None:
    """Frames sent after any pause start on the same grid of the baud clock, and the terminal
    reads them; the grid's phase is that of the first frame."""
    bench = Bench(ACIA, {}, hz=hz)
    bench.write("control", 3, 10)
    bench.write("control", 0x15, 21)
    line = bench.s.line
    clock = Fraction(int(line.clock.num), int(line.clock.den))
    edge = point(line.clock.t, line.clock.rem, line.clock.den)
    bench.write("data", 0x42, 10**12 + late)
    bench.advance(bench.t + int(clock) + 1)
    start = point(line.out.t, line.out.rem, line.out.den)
    assert (start - edge) % clock == 0
    assert 10**12 + late <= start < 10**12 + late + clock
    assert clock == bench.hz / 1536000
    bench.advance(bench.t + 100_000)
    assert bytes(line.shown[:1]) == b"\x42" and line.term_framing_errors == 0


def test_state_does_not_depend_on_how_often_the_card_is_advanced() -> None:
    states = []
    for stride in (0, 1, 17, 997):
        bench = acia(0xB5, terminal={"baud": 118000, "flow": "rts-cts"})
        type_keys(bench, b"twelve bytes", 3000)
        for t in range(2000, 12_000, 500):
            while stride and bench.t + stride < t:
                bench.advance(bench.t + stride, at_once=True)
            bench.write("data", t & 0xFF, t)
            bench.write("control", 0xB5 if t % 3 else 0xD5)
        bench.advance(40_000)
        states.append(bench.s.tobytes())
    assert states.count(states[0]) == len(states)


# --- settings -----------------------------------------------------------------------------
def test_formats_are_read() -> None:
    assert read_format("8N1") == (8, 0, 2) and read_format("5E1.5") == (5, 2, 3)
    assert read_format("7O2") == (7, 1, 4)


def test_rate_without_an_exact_ratio_is_refused_in_one_line() -> None:
    message = (r"^slot\.slot0: %s: the ratio \S+ of the two clocks has too many digits; "
               r"round one of them\.$")
    with pytest.raises(InputError, match=message % "clock"):
        Bench(ACIA, {"clock": "1843200.000001 Hz"})
    with pytest.raises(InputError, match=message % "terminal"):
        Bench(ACIA, {}, hz="6144000.00001 Hz")
