"""Cards under programs that make no sense: plain functions and machine code agree to the byte.

Twin: the same accesses, at the same T-states, through the Python functions and through the
machine code; what was read, the record, the requests and the next event must be equal.
"""
from __future__ import annotations

from typing import Any

import pytest
from card_bench import Bench
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.backplane.card_catalogue import cards
from emu.media.bay import Bay, Original
from peripherals import parallel_latch

CARDS = cards()
SETTINGS: dict[str, tuple[dict[str, Any], ...]] = {
    "z80-pio": ({}, {"partner-a": "takes", "partner-time": 3}),
    "timer-82c54": ({"clk-0": "cpu", "interrupt": True},
                    {"clk-0": "1.536 MHz", "interrupt": True, "interrupt-from": 1,
                     "interrupt-latch": False}),
    "ppi-8255": ({"interrupt": True, "interrupt-from": "both"},
                 {"part": "8255", "partner-a": "both", "gives-a": "tide" * 9, "partner-b": "takes",
                  "partner-time": 3}),
    "ppi-ide": ({"ready-time": 1, "read-time": 30, "write-time": 60},
                {"ready-time": 1, "inverters": False}),
    "ds1302": ({}, {"battery": "flat", "drive-bit": -1}),
    "rtc-6242": ({}, {"battery": "flat"}),
    "hd44780": ({"power-up": 0}, {"wiring": "bus-4", "power-up": 0}, {"wiring": "latch"}),
    "z85c30": ({}, {"intack": "none", "cts-a": "terminal"}),
    "uart-16550": ({}, {"gate": "out2"}),
    "parallel-latch": ({}, {"read-back": True, "reset": False}),
    "watchdog": ({"timeout": 1}, {"timeout": 2, "begins": "first-kick", "on-timeout": "nmi"}),
    "compactflash": ({"ready-time": 1, "read-time": 30, "write-time": 60, "bad-sectors": [3]},
                     {"ready-time": 1, "data-strobe": "held"}),
    "i2c-bus": ({"write-time": 30}, {"pull-level": "high", "battery": "flat", "memory": "24c04"},
                {"wiring": "lines", "sensor": 8, "sensor-gives": "tide", "stretch": 5}),
    "sd-card": ({"warm-up": 0, "init-time": 1}, {"wiring": "shift", "warm-up": 0, "shift-time": 5},
                {"wiring": "lines", "warm-up": 0}),
}
ROWS = [(name, more) for name, several in SETTINGS.items() for more in several]
IMAGE = bytes(range(256)) * 2 * 64
# Bytes that chips take for commands or modes, more often than others.
TELLING = (0x00, 0x01, 0x03, 0x07, 0x0F, 0x1F, 0x20, 0x28, 0x30, 0x38, 0x4F, 0x80, 0x83, 0x87,
           0x8F, 0x97, 0xA0, 0xB7, 0xBE, 0xBF, 0xC1, 0xC6, 0xCF, 0xE0, 0xEC, 0xEF, 0xFE, 0xFF)

BYTES = st.one_of(st.sampled_from(TELLING), st.integers(0, 255))
STEPS = st.lists(st.one_of(
    st.tuples(st.just("write"), st.integers(0, 15), BYTES, st.integers(1, 60)),
    st.tuples(st.just("read"), st.integers(0, 15), st.integers(1, 40), st.integers(1, 60)),
    st.tuples(st.just("pins"), st.just(0), BYTES, st.integers(1, 60)),
    st.tuples(st.just("wait"), st.just(0), st.just(0), st.integers(1, 200_000)),
    st.tuples(st.just("service"), st.just(0), st.just(0), st.integers(1, 60)),
    st.tuples(st.just("reset"), st.just(0), st.just(0), st.integers(1, 60)),
), min_size=5, max_size=60)


def bench_of(name: str, more: dict[str, Any], native: bool) -> Bench:
    """A card with a latch (slot 1) at its inputs."""
    card = CARDS[name]
    inputs = [i for i in card.inputs if i not in ("clock", "clk0")]
    strobes = [i for i in ("astb", "bstb", "c2", "c4", "c6") if i in inputs]
    inputs = [*strobes, *inputs]  # as many as the latch has outputs
    wires = [(1, f"q{k}", 0, i) for k, i in enumerate(inputs[:8])]
    bays = {"medium": Bay("card.medium", Original(None, IMAGE))}
    return Bench(card, more, also=[(parallel_latch.CARD, {})], wires=wires, native=native,
                 bays=bays if any(j.kind == "medium" for j in card.jumpers) else None)


def outcome(name: str, more: dict[str, Any], steps: list[tuple[str, int, int, int]],
            native: bool) -> list[Any]:
    """Run the steps; all that can be seen of the card at each."""
    bench = bench_of(name, more, native)
    count = len(CARDS[name].registers)
    seen: list[Any] = []
    for what, register, value, pause in steps:
        at = bench.t + pause
        if what == "write":
            bench.write(register % count, value, at)
        elif what == "read":
            seen += [bench.read(register % count, at + k * pause) for k in range(value)]
        elif what == "pins":
            bench.write("outputs", value, at, slot=1)
        elif what == "service":
            seen.append(bench.ack(at))
            bench.reti()
        elif what == "reset":
            bench.reset(t=at)
        else:
            bench.advance(at)
        seen += [bench.t, int(bench.m.ip[0]), bench.int_line, int(bench.m.event_t[0])]
    return [seen, bench.words(), bench.s.tobytes(), bench.m.line_level[0].tobytes()]


@pytest.mark.parametrize(("name", "more"), ROWS,
                         ids=[f"{name}-{k}" for k, (name, _) in enumerate(ROWS)])
@settings(max_examples=15, deadline=None, derandomize=True)
@given(steps=STEPS)
def test_senseless_programs(name: str, more: dict[str, Any],
                            steps: list[tuple[str, int, int, int]]) -> None:
    assert outcome(name, more, steps, True) == outcome(name, more, steps, False)
