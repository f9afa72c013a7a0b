"""The Z80 PIO with partners at its ports, priorities, and modes that follow one another.

The handshakes are from memory of the Z80 PIO data sheet; see the card's own text.
"""
from __future__ import annotations

from pathlib import Path

import pytest
from card_bench import Bench
from test_peripherals_z80_pio import bench, control, pins, pulse, ready

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from peripherals.z80_pio import CARD

DELAY = 62  # T-states of 10 us at 6.144 MHz


@pytest.mark.parametrize("native", [False, True])
@pytest.mark.parametrize("port", ["a", "b"])
def test_a_partner_gives_when_it_is_asked(port: str, native: bool) -> None:
    b = Bench(CARD, {f"partner-{port}": "gives", f"gives-{port}": "ebb", "partner-time": 10},
              native=native)
    control(b, port, 0x40, 0x4F, 0x83)
    b.advance(b.t + 10_000)
    assert b.int_line == 0  # RDY is low: nobody has read yet
    got = []
    b.read(f"data-{port}")
    for _ in range(3):
        b.advance(b.t + DELAY - 1)
        assert b.int_line == 0
        b.advance(b.t + 1)
        assert b.int_line == 1 and b.ack() == 0x40
        b.advance(b.t + 10_000)
        assert b.int_line == 0  # it waits for RDY
        got.append(b.read(f"data-{port}"))
        b.reti()
    assert bytes(got) == b"ebb"
    b.advance(b.t + 10_000)
    assert b.int_line == 0
    assert b.words()[2] == f"port {port.upper()}: 3 of 3 bytes given"


def test_both_ways_with_a_partner_at_each_handshake() -> None:
    b = Bench(CARD, {"partner-a": "takes", "partner-b": "gives", "gives-b": "Q",
                     "partner-time": 10})
    control(b, "a", 0x40, 0x8F, 0x83)
    control(b, "b", 0x42, 0xCF, 0xFF, 0x83)
    b.read("data-a")
    b.advance(b.t + DELAY)
    assert b.ack() == 0x42  # what A took in has B's vector
    b.reti()
    assert b.read("data-a") == ord("Q")
    b.write("data-a", 0x5A, b.t + 20)
    b.advance(b.t + DELAY)
    assert b.ack() == 0x40
    assert "1 bytes taken, the last b'Z'" in b.words()[2]


def test_leaving_mode_2_gives_port_b_its_handshake_back() -> None:
    b = bench()
    control(b, "a", 0x8F)
    control(b, "b", 0xCF, 0xFF)
    b.read("data-a", b.t + 10)
    assert ready(b, 1) == 1
    control(b, "a", 0x4F)
    assert ready(b, 1) == 0  # mode 3 needs no handshake: RDY is low (UM0081 p.216)


def test_port_a_interrupts_the_service_of_port_b() -> None:
    b = bench()
    for port, vector in (("a", 0x40), ("b", 0x42)):
        control(b, port, vector, 0x0F, 0x83)
        b.write(f"data-{port}", 0, b.t + 10)
    pulse(b, 1)
    assert b.ack() == 0x42
    assert b.int_line == 0
    pulse(b, 0)
    assert b.int_line == 1 and b.ack() == 0x40
    b.write("data-b", 0, b.t + 10)
    pulse(b, 1)
    assert b.int_line == 0
    b.reti()  # A's
    assert b.int_line == 0  # B is still under service itself
    b.reti()
    assert b.int_line == 1 and b.ack() == 0x42


def test_an_interrupt_word_without_a_mask_keeps_the_mask() -> None:
    b = bench()
    pins(b, 0x00)
    control(b, "a", 0x40, 0xCF, 0xFF, 0xB7, 0xFB)  # bit 2, high active
    control(b, "a", 0xA7)
    pins(b, 0x02)
    assert b.int_line == 0
    pins(b, 0x04)
    assert b.int_line == 1


def test_control_words_between_a_mode_word_and_its_directions() -> None:
    b = bench()
    control(b, "a", 0x40, 0xCF, 0x83)  # 83h is the directions: inputs are bits 7, 1 and 0
    assert b.s.port[0].dirs == 0x83 and b.s.port[0].control == 0
    control(b, "a", 0x97, 0x0F)  # 0Fh is the mask
    assert (b.s.port[0].mode, b.s.port[0].mask) == (3, 0x0F)


def test_a_strobe_in_mode_3_does_nothing() -> None:
    b = bench()
    pins(b, 0x21)
    control(b, "a", 0x40, 0xCF, 0xFF, 0x83)
    pulse(b, 0)
    assert b.int_line == 0
    assert b.read("data-a", b.t + 10) == 0x21


def test_outputs_written_in_mode_1_come_out_with_mode_0() -> None:
    b = bench()
    control(b, "a", 0x4F)
    b.write("data-a", 0xC3, b.t + 10)
    assert b.s.port[0].shown == 0xFF and ready(b, 0) == 0
    control(b, "a", 0x0F)
    assert b.s.port[0].shown == 0xC3


def test_a_hand_at_the_pins_while_it_runs() -> None:
    b = bench(inputs_b=0xFF)
    control(b, "b", 0x42, 0xCF, 0xFF, 0x97, 0xFE)  # bit 0, low active
    change = CARD.live["inputs-b"]
    change(b.m, b.s, 0xFD)
    assert b.m.ip[0] == 0
    change(b.m, b.s, 0xFC)
    assert b.m.ip[0] == 2 and b.read("data-b", b.t + 10) == 0xFC
    change(b.m, b.s, 0xFF)
    CARD.live["inputs-a"](b.m, b.s, 0x00)  # every pin of port A is wired
    assert b.s.port[0].pins == 0


@pytest.mark.parametrize("text", ["x" * 65, "\\u0142"])
def test_what_a_partner_cannot_give(tmp_path: Path, text: str) -> None:
    (tmp_path / "m.toml").write_text(
        '[slot.cpu]\ncard = "z80-cpu"\nclock = "6 MHz"\n[slot.memory]\ncard = "plain-memory"\n'
        f'[slot.pio]\ncard = "z80-pio"\nbase = 0\ngives-a = "{text}"\n')
    with pytest.raises(InputError, match=r"^slot\.pio: gives-a takes up to 64 characters"):
        Machine(load(tmp_path / "m.toml"))
