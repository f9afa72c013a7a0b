"""The Z80 PIO against the Z80 peripherals manual (UM0081) and the older technical manual (TM)."""
from __future__ import annotations

from card_bench import Bench
from trace_bench import machine, slot

from emu.backplane.jumpers import settle
from peripherals import parallel_latch
from peripherals.z80_pio import CARD


def bench() -> Bench:
    wires = tuple((1, f"q{k}", 0, f"a{k}") for k in range(8))
    return Bench(CARD, also=[(parallel_latch.CARD, {})], wires=wires)


def asked(b: Bench) -> bool:
    """Whether /INT is low; if so, the whole service."""
    low = b.int_line == 1
    if low:
        b.ack()
        b.reti()
    return low


def drive(b: Bench, value: int) -> None:
    b.write("outputs", value, b.t + 10, slot=1)


def mode_3(b: Bench, *control: int) -> None:
    for byte in (0xCF, 0xFF, *control):
        b.write("control-a", byte, b.t + 11)


def test_state_after_reset() -> None:
    b = bench()
    for k in range(2):  # TM p.114: mode 1, masks inhibit all, RDY low, outputs cleared, no enables
        p = b.s.port[k]
        assert (p.mode, p.mask, p.rdy, p.out, p.control) == (1, 0xFF, 0, 0, 0)
    vector = int(b.s.port[0].vector)
    b.write("control-a", 0x4C)
    assert vector != 0x4C
    b.reset()
    assert b.s.port[0].vector == 0x4C  # TM p.114: vectors are not changed


def test_the_vector_is_the_programmed_byte() -> None:
    b = bench()  # UM0081 p.208: on acknowledge exactly the programmed byte, bit 0 = 0
    b.write("control-a", 0x9A)
    mode_3(b, 0xB7, 0xFE)
    drive(b, 0x00)
    drive(b, 0x01)
    assert b.ack() == 0x9A


def test_mode_3_or_asks_only_when_the_result_becomes_true() -> None:
    b = bench()  # UM0081 p.216
    drive(b, 0x00)
    mode_3(b, 0xB7, 0xFC)  # on, OR, high active, bits 0 and 1 watched
    assert not asked(b)
    drive(b, 0x01)
    assert asked(b)
    drive(b, 0x03)  # a second active line under OR gives no new interrupt
    assert not asked(b)
    drive(b, 0x02)
    assert not asked(b)
    drive(b, 0x00)
    drive(b, 0x01)
    assert asked(b)
    drive(b, 0xFC)  # lines that are not watched
    drive(b, 0x00)
    assert not asked(b)


def test_mode_3_and_low_active() -> None:
    b = bench()  # TM p.116: bit 6 AND, bit 5 active level, bit 4 a mask follows
    drive(b, 0xFF)
    mode_3(b, 0xD7, 0xF0)  # on, AND, low active, bits 0-3
    drive(b, 0xF8)
    assert not asked(b)
    drive(b, 0xF0)
    assert asked(b)


def test_mode_2_is_port_as_alone_and_mode_3_needs_no_handshake() -> None:
    b = bench()  # UM0081 p.216, p.220
    b.write("control-b", 0x8F)
    assert b.s.port[1].mode == 1
    b.write("control-a", 0x8F)
    assert b.s.port[0].mode == 2
    mode_3(b)
    b.write("data-a", 0x55)
    assert b.s.port[0].rdy == 0


def test_a_mask_word_drops_a_pending_request_in_any_mode() -> None:
    b = bench()  # TM p.116
    drive(b, 0x00)
    mode_3(b, 0xB7, 0x00)
    drive(b, 0x10)
    assert b.int_line == 1
    b.write("control-a", 0x97)
    assert b.int_line == 0


def ungated(*program: str):
    """A machine whose PIO stands at 20h without the reset gate, run into its program's HALT."""
    settings = settle(CARD, {"reset-gate": False, "inputs-a": 0xFE}, "pio")
    built = machine(bytes.fromhex("".join(program)), slot("pio", CARD, settings,
                                                          (0x20, 0x21, 0x22, 0x23)))
    built.run(600)
    return built, built.slots[2].state


SET_UP = (  # ld sp,8000h / control-a: vector 18h, mode 3, all inputs, on OR low, bit 0 watched
    "310080", "3e18d322", "3ecfd322", "3effd322", "3e97d322", "3efed322")


def test_without_the_reset_gate_a_request_outlives_reset() -> None:
    """TM p.114: reset by M1 without RD and IORQ alone; the consequences: shared/facts/
    z80_pio_more.md 1.  The vector runs as an opcode then: mode 0 after RESET (UM0080 p.19)."""
    built, _ = ungated(*SET_UP, "f376")
    assert (int(built.m.int_line), int(built.m.ip[2]), int(built.m.halted)) == (1, 1, 1)
    built.reset()
    assert (int(built.m.int_line), int(built.m.ip[2])) == (1, 1)


def test_without_the_reset_gate_a_service_outlives_reset() -> None:
    """Same sources: IEO stays low until a RETI passes, here one to a dummy address."""
    built, _ = ungated(*SET_UP, "3e00ed47ed5efb76")  # im 2: the handler is what 0018h points to
    assert int(built.m.ius[2]) == 1
    built.reset()
    assert (int(built.m.ius[2]), int(built.m.ieo[2])) == (1, 0)
    # ld sp,8000h / ld hl,9 / push hl / reti / 0009h: di, halt
    built.m.phys[:12] = list(bytes.fromhex("310080210900e5ed4df376"))[:11] + [0]
    built.run(int(built.m.t) + 100)
    assert (int(built.m.ius[2]), int(built.m.ieo[2])) == (0, 1)


def test_without_the_reset_gate_a_control_sequence_stays_open() -> None:
    """z80_pio_more.md 3: CFh, RESET, CFh, F0h: CFh is taken as directions, F0h as a vector."""
    built, s = ungated("3ecfd322", "76")
    built.reset()
    built.m.phys[:9] = list(bytes.fromhex("3ecfd3223ef0d32276"))
    built.run(int(built.m.t) + 100)
    p = s.port[0]
    assert (int(p.dirs), int(p.vector), int(p.expects)) == (0xCF, 0xF0, 0)


def test_without_the_reset_gate_lines_keep_driving() -> None:
    """z80_pio_more.md 3: mode 0, 55h, RESET: 55h without the gate; FFh (floating) with it."""
    for gate, lines in ((False, 0x55), (True, 0xFF)):
        b = Bench(CARD, {"reset-gate": gate})
        b.write("control-a", 0x0F)
        b.write("data-a", 0x55)
        b.reset()
        assert int(b.s.port[0].shown) == lines
