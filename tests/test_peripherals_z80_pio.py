"""The Z80 PIO: modes, handshakes, interrupts, lines; a latch card stands at its pins."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from card_bench import Bench

from emu.backplane.description import load
from emu.testing.card_contract import complaints
from peripherals import parallel_latch
from peripherals.z80_pio import CARD

WIRES = tuple((1, f"q{k}", 0, f"a{k}") for k in range(8))


def bench(native: bool = False, wires: Any = WIRES, **settings: Any) -> Bench:
    """A PIO whose port A hangs on a latch (slot 1), its strobes on another (slot 2)."""
    also = [(parallel_latch.CARD, {}), (parallel_latch.CARD, {})]
    strobes = ((2, "q0", 0, "astb"), (2, "q1", 0, "bstb"), (0, "ardy", 2, "i0"),
               (0, "brdy", 2, "i1"))
    b = Bench(CARD, {k.replace("_", "-"): v for k, v in settings.items()}, also=also,
              wires=(*wires, *strobes), native=native)
    b.write("outputs", 3, slot=2)
    return b


def pins(b: Bench, value: int) -> None:
    b.write("outputs", value, b.t + 10, slot=1)


def pulse(b: Bench, number: int) -> None:
    b.write("outputs", 3 & ~(1 << number), b.t + 10, slot=2)
    b.write("outputs", 3, b.t + 10, slot=2)


def ready(b: Bench, number: int) -> int:
    return b.read("inputs", b.t + 1, slot=2) >> number & 1


def control(b: Bench, port: str, *values: int) -> None:
    for value in values:
        b.write(f"control-{port}", value, b.t + 11)


@pytest.mark.parametrize("native", [False, True])
def test_output_with_its_handshake(native: bool) -> None:
    b = bench(native)
    control(b, "a", 0x40, 0x0F, 0x83)
    assert ready(b, 0) == 0
    b.write("data-a", 0x5A, b.t + 10)
    assert ready(b, 0) == 1 and b.int_line == 0
    assert b.read("data-a") == 0x5A
    pulse(b, 0)
    assert ready(b, 0) == 0 and b.int_line == 1
    assert b.ack() == 0x40
    assert b.int_line == 0
    b.reti()
    b.write("data-a", 1, b.t + 10)
    assert ready(b, 0) == 1


def test_input_is_latched_by_the_strobe() -> None:
    b = bench()
    control(b, "a", 0x42, 0x4F, 0x83)
    b.read("data-a")  # the first read raises RDY
    assert ready(b, 0) == 1
    pins(b, 0x77)
    pulse(b, 0)
    pins(b, 0x11)
    assert ready(b, 0) == 0 and b.int_line == 1
    assert b.read("data-a", b.t + 10) == 0x77
    assert ready(b, 0) == 1


def test_input_with_the_strobe_held_low_sees_the_pins() -> None:
    b = bench()
    control(b, "a", 0x4F)
    b.write("outputs", 2, b.t + 10, slot=2)
    for value in (0x12, 0x34):
        pins(b, value)
        assert b.read("data-a", b.t + 10) == value


def test_both_ways_at_port_a() -> None:
    b = bench()
    control(b, "a", 0x40, 0x8F, 0x83)
    control(b, "b", 0x42, 0xCF, 0xFF, 0x83)
    b.write("data-a", 0x99, b.t + 10)
    assert (ready(b, 0), b.s.port[0].shown) == (1, 0xFF)
    b.write("outputs", 2, b.t + 10, slot=2)  # ASTB low: the byte stands on the lines
    assert b.s.port[0].shown == 0x99
    b.write("outputs", 3, b.t + 10, slot=2)
    assert (ready(b, 0), b.s.port[0].shown, b.int_line) == (0, 0xFF, 1)
    assert b.ack() == 0x40
    b.reti()
    b.read("data-a", b.t + 10)
    assert ready(b, 1) == 1
    pins(b, 0x66)
    pulse(b, 1)
    assert ready(b, 1) == 0
    assert b.ack() == 0x42  # B's vector for what A took in
    assert b.read("data-a", b.t + 10) == 0x66


def test_bits_mix_the_output_register_and_the_pins() -> None:
    b = bench()
    control(b, "a", 0xCF, 0x0F)
    b.write("data-a", 0xA5, b.t + 10)
    pins(b, 0x3C)
    assert b.read("data-a", b.t + 10) == 0xAC
    assert b.s.port[0].shown == 0xAF  # inputs are high at the lines


def test_port_a_comes_before_port_b() -> None:
    b = bench()
    for port, vector in (("a", 0x40), ("b", 0x42)):
        control(b, port, vector, 0x0F, 0x83)
        b.write(f"data-{port}", 0, b.t + 10)
    pulse(b, 1)
    pulse(b, 0)
    assert b.ack() == 0x40
    assert b.int_line == 0
    b.reti()
    assert b.int_line == 1 and b.ack() == 0x42


def test_a_request_waits_for_its_enable_and_a_mask_word_drops_it() -> None:
    b = bench()
    control(b, "a", 0x40, 0x0F)
    b.write("data-a", 0, b.t + 10)
    pulse(b, 0)
    assert b.int_line == 0
    control(b, "a", 0x83)
    assert b.int_line == 1
    control(b, "a", 0x03)
    assert b.int_line == 0
    control(b, "a", 0x97, 0xFF)
    assert b.int_line == 0


def test_reset() -> None:
    b = bench()
    control(b, "a", 0x40, 0x0F, 0x83)
    b.write("data-a", 0x12, b.t + 10)
    b.reset()
    assert b.s.port[0].shown == 0xFF and ready(b, 0) == 0
    assert "in reset until a control word comes" in b.words()[0]
    b.write("data-a", 0x34, b.t + 10)
    assert b.s.port[0].shown == 0xFF
    control(b, "a", 0x0F)
    assert b.s.port[0].shown == 0x34
    ungated = bench(reset_gate=False)
    control(ungated, "a", 0x0F)
    ungated.reset()
    assert ungated.s.port[0].mode == 0


def test_a_partner_takes_what_comes_out() -> None:
    b = Bench(CARD, {"partner-a": "takes", "partner-time": 10})
    control(b, "a", 0x40, 0x0F, 0x83)
    for byte in b"TIDE":
        b.write("data-a", byte, b.t + 50)
        start = b.t
        b.advance(start + 61)
        assert b.int_line == 0
        b.advance(start + 62)  # 10 us at 6.144 MHz
        assert b.int_line == 1
        b.ack()
        b.reti()
    assert b.words()[2] == "port A: 4 bytes taken, the last b'TIDE'"


MACHINE = """
[backplane]
chain = ["pio"]
[slot.cpu]
card = "z80-cpu"
clock = "4 MHz"
[slot.memory]
card = "plain-memory"
image = "p.bin"
[slot.pio]
card = "z80-pio"
base = 0x1C
partner-b = "takes"
"""


def test_a_program_prints_by_interrupts_and_keeps_the_contract(tmp_path: Path) -> None:
    from emu.machine.machine import Machine

    # vector 40h, mode 0, interrupts on; the first byte by hand, the others in the handler
    main = "31 0000 3E40 D31F 3E0F D31F 3E83 D31F ED5E 21 6000 7E D31D FB 76 18FD"
    handler = "23 7E B7 28 02 D31D FB ED4D"
    image = bytes.fromhex(main.replace(" ", "")).ljust(0x40, b"\0") + b"\x50\0"
    image = image.ljust(0x50, b"\0") + bytes.fromhex(handler.replace(" ", ""))
    (tmp_path / "p.bin").write_bytes(image.ljust(0x60, b"\0") + b"ebb and flow\0")
    (tmp_path / "m.toml").write_text(MACHINE)
    machine = Machine(load(tmp_path / "m.toml"))
    machine.run(machine.at(Fraction(1, 100)))
    slot = machine.slot("pio")
    assert slot.card.describe(machine.m, slot.state)[2] == (
        "port B: 12 bytes taken, the last b'ebb and flow'")
    assert complaints(machine.description, Fraction(1, 500)) == []
