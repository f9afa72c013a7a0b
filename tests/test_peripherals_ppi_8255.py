"""The 8255 PPI: modes, bit set/reset, handshakes, interrupts, lines, partners.

"I82": Intel 82C55A data sheet 231256-004; "H82": Harris 82C55A, FN2969; "DAQ": a maker's board
manual with an 82C55, table 6-4.  "Derived" follows from their tables.
"""
from __future__ import annotations

from typing import Any

import pytest
from card_bench import Bench

from peripherals import parallel_latch
from peripherals.ppi_8255 import CARD


def bench(native: bool = False, wires: Any = (), **settings: Any) -> Bench:
    """A PPI (slot 0) beside two latches (slots 1 and 2)."""
    b = Bench(CARD, {k.replace("_", "-"): v for k, v in settings.items()}, native=native,
              also=[(parallel_latch.CARD, {}), (parallel_latch.CARD, {})], wires=wires)
    b.write("outputs", 0xFF, slot=1)
    b.write("outputs", 0xFF, slot=2)
    return b


def control(b: Bench, *values: int) -> None:
    for value in values:
        b.write("control", value, b.t + 11)


def handshake(port: str = "a", ack: bool = False) -> Bench:
    """Port A's strobe is q0 of slot 1 (for A: PC4 or PC6, for B: PC2)."""
    pin = "c2" if port == "b" else "c6" if ack else "c4"
    return bench(wires=((1, "q0", 0, pin),))


def strobe(b: Bench, level: int) -> None:
    b.write("outputs", 0xFE | level, b.t + 5, slot=1)


# --- reset, mode words, mode 0 ---------------------------------------------------------------
def test_after_reset_all_lines_are_inputs() -> None:
    b = bench(inputs_a=0x5A, inputs_b=0xA5, inputs_c=0x3C)
    assert b.read("control") == 0x9B  # I82: all inputs, mode 0; the word: DAQ table 6-4
    assert [b.read(f"port-{k}") for k in "abc"] == [0x5A, 0xA5, 0x3C]


WORDS = {  # DAQ table 6-4: word, inputs among A, upper C, B, lower C
    0x80: "", 0x81: "L", 0x82: "B", 0x83: "BL", 0x88: "U", 0x89: "UL", 0x8A: "UB", 0x8B: "UBL",
    0x90: "A", 0x91: "AL", 0x92: "AB", 0x93: "ABL", 0x98: "AU", 0x99: "AUL", 0x9A: "AUB",
    0x9B: "AUBL",
}


@pytest.mark.parametrize("word", WORDS, ids=lambda word: f"{word:02X}h")
def test_directions_of_mode_0(word: int) -> None:
    b = bench(inputs_a=0xF0, inputs_b=0xF0, inputs_c=0xA5)
    control(b, word)
    for port in "abc":
        b.write(f"port-{port}", 0x0F)
    inputs = WORDS[word]
    assert b.read("port-a") == (0xF0 if "A" in inputs else 0x0F)
    assert b.read("port-b") == (0xF0 if "B" in inputs else 0x0F)
    upper, lower = 0xA0 if "U" in inputs else 0x00, 0x05 if "L" in inputs else 0x0F
    assert b.read("port-c") == upper | lower
    assert b.read("control") == word  # I82 p.1: the control word can be read back


def test_inputs_of_mode_0_are_not_latched() -> None:  # DAQ p.32
    b = bench(wires=((1, "q0", 0, "a0"),))
    assert b.read("port-a") & 1 == 1
    strobe(b, 0)
    assert b.read("port-a") & 1 == 0


def test_a_mode_word_clears_all_outputs() -> None:  # I82; H82 p.5
    b = bench()
    control(b, 0x80)
    for port in "abc":
        b.write(f"port-{port}", 0x55)
    control(b, 0x80)
    assert [b.read(f"port-{k}") for k in "abc"] == [0, 0, 0]


def test_bit_set_and_reset_change_one_line_of_c() -> None:  # H82 p.5; the values derived
    b = bench()
    control(b, 0x80, 0x0F)
    assert b.read("port-c") == 0x80
    control(b, 0x01)
    assert b.read("port-c") == 0x81
    control(b, 0x0E)
    assert b.read("port-c") == 0x01
    b.write("port-a", 0x12)
    control(b, 0x0B)
    assert (b.read("port-a"), b.read("port-c")) == (0x12, 0x21)


def test_the_nmos_part_gives_no_control_word() -> None:  # from memory: a read is not allowed
    b = bench(part="8255")
    assert b.read("control") == -1
    assert "1 reads of the control register" in " ".join(CARD.risks(b.m, b.s))


def test_reset_without_an_inverter_holds_the_chip() -> None:
    """RESET is active high (pin list of both sheets), /RESET is low only at a reset."""
    b = bench(reset="direct", inputs_a=0x77)
    control(b, 0x80)
    b.write("port-a", 0x11)
    assert b.read("port-a") == 0x77
    assert [trouble.code for trouble in CARD.troubles(b.m, b.s)] == ["ppi-held-in-reset"]


def test_a_chip_without_reset_keeps_its_mode() -> None:  # common practice
    b = bench(reset="none")
    control(b, 0x80)
    b.write("port-a", 0x11)
    b.reset()
    assert b.read("port-a") == 0x11
    b = bench()
    control(b, 0x80)
    b.reset()
    assert b.read("control") == 0x9B


# --- lines -----------------------------------------------------------------------------------
@pytest.mark.parametrize("native", [False, True])
def test_its_outputs_are_lines_and_what_it_does_not_drive_is_high(native: bool) -> None:
    wires = (*((0, f"a{k}", 1, f"i{k}") for k in range(8)),
             *((0, f"c{k}", 2, f"i{k}") for k in range(8)))
    b = bench(native, wires)
    assert b.read("inputs", slot=1) == 0xFF
    control(b, 0x81)  # lower half of C is an input
    assert b.read("inputs", slot=1) == 0x00
    b.write("port-a", 0xC3)
    control(b, 0x0D, 0x03)
    assert b.read("inputs", slot=1) == 0xC3
    assert b.read("inputs", slot=2) == 0x4F


# --- mode 1 ----------------------------------------------------------------------------------
def test_mode_1_input() -> None:
    """H82 p.9: STB latches and sets IBF; back at 1 it sets INTR with INTE; RD ends both."""
    b = handshake()
    control(b, 0xB0)
    assert b.read("port-c") == 0x00  # derived: the free bits are outputs
    control(b, 0x09)  # INTE of PC4
    assert b.read("port-c") == 0x10
    strobe(b, 0)
    assert b.read("port-c") == 0x30
    strobe(b, 1)
    assert b.read("port-c") == 0x38
    b.read("port-a")
    assert b.read("port-c") == 0x10


def test_mode_1_input_latches_the_pins() -> None:  # H82 p.9
    b = bench(wires=((1, "q0", 0, "c4"), (2, "q0", 0, "a0")))
    control(b, 0xB0)
    b.write("outputs", 0, slot=2)
    strobe(b, 0)
    strobe(b, 1)
    b.write("outputs", 1, slot=2)
    assert b.read("port-a") & 1 == 0


def test_mode_1_output() -> None:
    """H82 p.9: WR makes OBF low and ends INTR; ACK makes it high, and back at 1 sets INTR."""
    b = handshake(ack=True)
    control(b, 0xA0)
    assert b.read("port-c") == 0x80  # derived: OBF is 1 at rest
    control(b, 0x0D)  # INTE of PC6
    assert b.read("port-c") == 0xC8  # it asks before any byte: there is room
    b.write("port-a", 0x42)
    assert b.read("port-c") == 0x40
    strobe(b, 0)
    assert b.read("port-c") == 0xC0
    strobe(b, 1)
    assert b.read("port-c") == 0xC8
    assert b.read("port-a") == 0x42


def test_mode_1_of_port_b() -> None:  # H82 p.9: INTE of PC2 for both ways
    b = handshake("b")
    control(b, 0x86)  # B strobed input, the rest outputs
    control(b, 0x05)
    assert b.read("port-c") & 0x07 == 0x04
    strobe(b, 0)
    assert b.read("port-c") & 0x07 == 0x06
    strobe(b, 1)
    assert b.read("port-c") & 0x07 == 0x07
    b.read("port-b")
    assert b.read("port-c") & 0x07 == 0x04
    control(b, 0x84, 0x05)  # B strobed output
    assert b.read("port-c") & 0x07 == 0x07
    b.write("port-b", 1)
    assert b.read("port-c") & 0x07 == 0x04


def test_writes_to_c_reach_the_free_bits_only() -> None:
    """INTE is changed by bit set/reset alone (from memory), OBF and INTR by nobody."""
    b = bench()
    control(b, 0xA0, 0x0D)
    b.write("port-c", 0xFF)
    assert b.read("port-c") == 0xFF  # 30h and 07h are free outputs
    b.write("port-c", 0x00)
    assert b.read("port-c") == 0xC8
    control(b, 0x0C, 0x07)
    assert b.read("port-c") == 0x80  # INTE off; a bit set does nothing to INTR


def test_a_mode_word_clears_the_flags() -> None:
    """H82 p.5: 'including the status flip-flops ... whenever the mode is changed'."""
    b = handshake()
    control(b, 0xB0, 0x09)
    strobe(b, 0)
    strobe(b, 1)
    control(b, 0xB0)
    assert b.read("port-c") == 0x00


# --- mode 2 ----------------------------------------------------------------------------------
def test_mode_2_drives_port_a_only_while_acknowledged() -> None:
    """From memory: ACK opens the drivers; INTE1 is PC6, INTE2 PC4, both ask by PC3."""
    wires = ((1, "q0", 0, "c6"), (1, "q1", 0, "c4"),
             *((0, f"a{k}", 2, f"i{k}") for k in range(8)))
    b = bench(wires=wires, inputs_a=0x3C)
    control(b, 0xC0)
    assert b.read("port-c") == 0x80  # derived, as all of these
    b.write("port-a", 0x42)
    assert b.read("inputs", slot=2) == 0xFF
    assert b.read("port-c") == 0x00
    b.write("outputs", 0xFE, slot=1)
    assert b.read("inputs", slot=2) == 0x42
    b.write("outputs", 0xFF, slot=1)
    assert b.read("inputs", slot=2) == 0xFF
    control(b, 0x0D)
    assert b.read("port-c") == 0xC8
    control(b, 0x0C, 0x09)
    b.write("outputs", 0xFD, slot=1)
    b.write("outputs", 0xFF, slot=1)
    assert b.read("port-c") == 0xB8
    assert b.read("port-a") == 0x3C
    assert b.read("port-c") == 0x90


# --- interrupts and partners -----------------------------------------------------------------
@pytest.mark.parametrize("native", [False, True])
def test_a_printer_takes_bytes_by_interrupt(native: bool) -> None:
    b = bench(native, interrupt=True, partner_a="takes", partner_time=10)
    assert b.int_line == 1  # nobody drives PC3 yet, and the inverter sees it high
    control(b, 0xA0)
    assert b.int_line == 0
    control(b, 0x0D)
    for byte in b"ebb":
        assert b.int_line == 1
        b.write("port-a", byte)
        assert b.int_line == 0
        b.advance(b.t + 62)  # 10 us at 6.144 MHz are 61.44 T-states
    assert "3 bytes taken, the last b'ebb'" in " ".join(b.words())


@pytest.mark.parametrize("native", [False, True])
def test_a_keyboard_gives_bytes(native: bool) -> None:
    b = bench(native, interrupt=True, interrupt_from="b", partner_b="gives", gives_b="tide",
              partner_time=10, inputs_c=0xFF)
    control(b, 0x86, 0x05)
    got = b""
    for _ in range(4):
        b.advance(b.t + 62)
        assert b.int_line == 1
        got += bytes([b.read("port-b")])
    assert got == b"tide" and b.int_line == 0


def test_both_ways_with_a_partner() -> None:
    b = bench(partner_a="both", gives_a="ok", partner_time=10)
    control(b, 0xC0)
    b.write("port-a", 0x21)
    b.advance(b.t + 100)
    assert b.read("port-c") & 0xA0 == 0xA0
    assert b.read("port-a") == ord("o")
    b.advance(b.t + 100)
    assert b.read("port-a") == ord("k")
    assert "1 bytes taken" in " ".join(b.words())


# --- what goes wrong -------------------------------------------------------------------------
def codes(b: Bench) -> list[str]:
    return [trouble.code for trouble in CARD.troubles(b.m, b.s)]


def test_it_tells_of_outputs_that_a_mode_word_took() -> None:
    b = bench()
    b.write("port-a", 0x55)  # before the mode word
    control(b, 0x80)
    assert codes(b) == ["ppi-wiped"]
    b.write("port-a", 0x55, b.t + 10)
    assert codes(b) == []
    control(b, 0x80)
    assert codes(b) == ["ppi-wiped"]
    b.write("port-a", 0x55, b.t + 10)
    b.write("port-c", 0x40, b.t + 10)
    control(b, 0x81)
    trouble = CARD.troubles(b.m, b.s)[0]
    assert trouble.code == "ppi-wiped" and "PC6" in trouble.evidence[1]
    assert "write 01h" in trouble.remedy[1]
    trouble.mend(b.m, b.s)
    assert b.read("port-c") & 0x40


def test_it_tells_of_a_missing_inte_and_a_missing_partner() -> None:
    b = bench(interrupt=True, partner_a="takes")
    control(b, 0xA0)
    assert codes(b) == ["ppi-no-inte"]
    trouble = CARD.troubles(b.m, b.s)[0]
    assert "0Dh" in trouble.remedy[0]
    trouble.mend(b.m, b.s)
    b.advance(b.t + 5)
    assert b.int_line == 1
    b = bench()
    control(b, 0xA0)
    assert codes(b) == []
    b.write("port-a", 0x41)
    trouble = CARD.troubles(b.m, b.s)[0]
    assert trouble.code == "ppi-no-strobe" and "ACK (PC6)" in trouble.evidence[1]
    trouble.mend(b.m, b.s)
    b.advance(b.t + 5)
    assert b.read("port-c") & 0x80


def test_pins_change_by_hand_while_it_runs() -> None:
    b = bench()
    CARD.live["inputs-b"](b.m, b.s, 0x12)
    assert b.read("port-b") == 0x12
