"""Interrupt responses and their pins against the CPU manual (UM0080), machine cycle by cycle.

Every run goes free, stopped at each T-state, and logged; all three must agree (cpu_machine).
"""
from __future__ import annotations

import pytest
from cpu_machine import ASK, FALL_NMI, UNASK, Asker, Bare

NOPS = "00" * 24
ON = {"iff1": 1, "iff2": 1}


def asked(when: int = -1, *supply: int, keeps: bool = False) -> list[Asker]:
    return [Asker(supply=supply or (0xFF,), at=[(when, ASK)], plain=keeps)]


def texts(machine: Bare) -> list[str]:
    return [str(row) for row in machine.rows]


# --- the three modes, T-state by T-state ------------------------------------------------
# Charts: UM0080 p.12 (request and acknowledge), p.13 (NMI), p.14 (HALT).
ACK_ROWS = ["0100 -- M1", "0100 -- M1", "0100 -- IORQ M1", "0100 -- IORQ M1"]
PUSH_ROWS = ["EFFF -- MREQ", "EFFF 01 MREQ WR", "EFFF 01 MREQ WR",
             "EFFE -- MREQ", "EFFE 00 MREQ WR", "EFFE 00 MREQ WR"]


def test_mode_1_takes_13_tstates_and_goes_to_0038() -> None:
    """UM0080 p.12 (acknowledge with two waits, /IORQ for /MREQ), p.19 (mode 1)."""
    machine = Bare(NOPS, im=1, i=0x3F, r=0x85, askers=asked(), **ON).step()
    assert machine.split == [("acknowledge", 7), ("write", 3), ("write", 3)]
    assert texts(machine) == [*ACK_ROWS, "3F85 FF MREQ RFSH", "3F85 -- MREQ RFSH", "3F85 --",
                              *PUSH_ROWS]
    assert machine.pc == 0x38
    assert machine.get("sp", "iff1", "iff2", "r") == [0xEFFE, 0, 0, 0x86]


def test_mode_2_takes_19_tstates_and_reads_the_table() -> None:
    """UM0080 p.12, p.19 (mode 2): I gives the table's page, the card the low byte."""
    machine = Bare(NOPS, im=2, i=0x3F, askers=asked(-1, 0x40), memory={0x3F40: "CD AB"}, **ON)
    machine.step()
    assert machine.split == [("acknowledge", 7), ("write", 3), ("write", 3), ("read", 3),
                             ("read", 3)]
    assert texts(machine)[:6] == [*ACK_ROWS, "3F00 40 MREQ RFSH", "3F00 -- MREQ RFSH"]
    assert texts(machine)[7:] == [*PUSH_ROWS, "3F40 -- MREQ RD", "3F40 -- MREQ RD",
                                  "3F40 CD MREQ RD", "3F41 -- MREQ RD", "3F41 -- MREQ RD",
                                  "3F41 AB MREQ RD"]
    assert machine.pc == 0xABCD
    assert machine.get("sp", "iff1", "iff2", "r") == [0xEFFE, 0, 0, 1]


def test_mode_2_does_not_force_bit_0_of_the_pointer() -> None:
    """A published hardware note (bus FFh, I = FDh): low byte at FDFFh, high byte at FE00h."""
    machine = Bare(NOPS, im=2, i=0xFD, askers=asked(-1, 0xFF), memory={0xFDFF: "34 12"}, **ON)
    machine.step()
    assert [c.address for c in machine.cycles if c.kind == "read"] == [0xFDFF, 0xFE00]
    assert machine.pc == 0x1234


def test_mode_2_pointer_wraps_at_the_top_of_memory() -> None:
    """From memory: the address adder has 16 bits, so FFFFh is followed by 0000h."""
    machine = Bare(NOPS, im=2, i=0xFF, askers=asked(-1, 0xFF), **ON)
    machine.put(0xFFFF, "34 12")
    machine.step()
    assert machine.pc == 0x1234


@pytest.mark.parametrize("target", range(0, 0x40, 8))
def test_mode_0_runs_a_restart_from_the_bus_in_13_tstates(target: int) -> None:
    """UM0080 p.19 (mode 0: two T-states more than the instruction; RST is 11)."""
    machine = Bare(NOPS, im=0, askers=asked(-1, 0xC7 | target), **ON).step()
    assert machine.split == [("acknowledge", 7), ("write", 3), ("write", 3)]
    assert texts(machine)[:5] == [*ACK_ROWS, f"0000 {0xC7 | target:02X} MREQ RFSH"]
    assert machine.get("pc", "sp", "iff1", "iff2") == [target, 0xEFFE, 0, 0]
    assert machine.word(0xEFFE) == 0x100


def test_mode_0_runs_a_call_from_the_bus_in_19_tstates() -> None:
    """UM0080 p.19 (17 + 2).  Operands by plain memory reads with PC standing: from memory."""
    machine = Bare(NOPS, im=0, r=0x10, askers=asked(-1, 0xCD, 0x34, 0x12), **ON).step()
    assert machine.split == [("acknowledge", 6), ("read", 3), ("read", 4), ("write", 3),
                             ("write", 3)]
    assert texts(machine)[6:12] == ["0100 -- MREQ RD", "0100 -- MREQ RD", "0100 34 MREQ RD",
                                    "0100 -- MREQ RD", "0100 -- MREQ RD", "0100 12 MREQ RD"]
    assert machine.get("pc", "sp", "r") == [0x1234, 0xEFFE, 0x11]
    assert machine.word(0xEFFE) == 0x100


def test_nmi_takes_11_tstates_discards_the_opcode_and_goes_to_0066() -> None:
    """UM0080 p.13 (chart and address), p.18 (IFF1 = 0, IFF2 keeps); 5,3,3."""
    machine = Bare("3E 77" + NOPS, i=0x3F, r=0x05, a=1,
                   askers=[Asker(at=[(-1, FALL_NMI)])], **ON).step()
    assert machine.split == [("nmi", 5), ("write", 3), ("write", 3)]
    assert texts(machine) == ["0100 -- M1 MREQ RD", "0100 -- M1 MREQ RD", "3F05 3E MREQ RFSH",
                              "3F05 -- MREQ RFSH", "3F05 --", *PUSH_ROWS]
    assert machine.pc == 0x66
    assert machine.get("a", "iff1", "iff2", "r") == [1, 0, 1, 6]


# --- when a request is seen -------------------------------------------------------------
INSTRUCTIONS = [("00", 4), ("23", 6), ("21 34 12", 10), ("E5", 11), ("E3", 19), ("DD 34 05", 23)]


@pytest.mark.parametrize(("code", "length"), INSTRUCTIONS)
@pytest.mark.parametrize("early", [3, 2, 1])
def test_int_by_the_last_tstate_is_taken_at_its_end(code: str, length: int, early: int) -> None:
    """UM0080 p.12: sampled with the rising edge of the last clock of an instruction."""
    machine = Bare(code + NOPS, im=1, askers=asked(length - early), **ON).go(length + 1)
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == [length]


@pytest.mark.parametrize(("code", "length"), INSTRUCTIONS)
def test_int_one_tstate_later_waits_for_the_next_instruction(code: str, length: int) -> None:
    """UM0080 p.12, the other side of the same edge; the next instruction is a NOP."""
    machine = Bare(code + NOPS, im=1, askers=asked(length), **ON).go(length + 5)
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == [length + 4]


@pytest.mark.parametrize(("when", "taken"), [(9, 10), (10, 14)])
def test_nmi_is_looked_at_on_the_same_edge(when: int, taken: int) -> None:
    """UM0080 p.13: the edge of NMI is sampled at the same time as INT."""
    machine = Bare("21 34 12" + NOPS, askers=[Asker(at=[(when, FALL_NMI)])]).go(taken + 1)
    assert [c.t for c in machine.cycles if c.kind == "nmi"] == [taken]


def test_a_request_withdrawn_before_the_edge_is_not_seen() -> None:
    """UM0080 p.12: /INT is sampled, not latched."""
    machine = Bare("E3" + NOPS, im=1, askers=[Asker(at=[(3, ASK), (17, UNASK)])], **ON).go(60)
    assert machine.m.ack_count == 0


def test_a_request_that_stands_is_taken_again_after_the_handler() -> None:
    """UM0080 p.12, p.18: level, and EI holds off one instruction."""
    machine = Bare("00" * 8, im=1, askers=asked(keeps=True), memory={0x38: "FB C9"}, **ON)
    machine.go(13 + 4 + 10 + 1)
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == [0, 27]
    assert machine.word(0xEFFE) == 0x100


@pytest.mark.parametrize(("action", "before", "taken"), [(ASK, [], [22]), (UNASK, ASK, [18])])
def test_an_output_changes_int_too_late_for_its_own_last_edge(
        action: int, before: int, taken: list[int]) -> None:
    """UM0080 p.12 with the I/O chart: the strobe ends after the last clock's rising edge.

    A request made by OUT waits one instruction; one that OUT clears is still answered.
    """
    at = [(12, ASK)] if before == ASK else []
    machine = Bare(f"3E {action:02X} D3 10" + NOPS, im=1, askers=[Asker(at=at)], **ON)
    machine.go(taken[0] + 1)
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == taken


# --- enabling ---------------------------------------------------------------------------
@pytest.mark.parametrize("count", [1, 2, 5])
def test_ei_holds_int_off_until_the_next_instruction_has_run(count: int) -> None:
    """UM0080 p.18 for one EI; that each EI of a chain renews it: from memory."""
    machine = Bare("FB" * count + "23" + NOPS, im=1, hl=0, askers=asked(keeps=True))
    machine.go(4 * count + 7)
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == [4 * count + 6]
    assert machine.hl == 1


def test_ei_ret_returns_before_the_next_interrupt() -> None:
    """UM0080 p.18: the shadow lets EI / RET unwind the stack: it does not grow."""
    machine = Bare(NOPS, im=1, askers=asked(keeps=True), memory={0x38: "FB C9"}, **ON)
    machine.go(27 * 20)
    assert machine.m.ack_count == 20
    assert machine.get("pc", "sp") == [0x100, 0xF000]


@pytest.mark.parametrize("when", range(-1, 4))
def test_int_during_di_is_not_taken(when: int) -> None:
    """DI acts at once (UM0080 p.18: it resets IFF1 and IFF2); from memory for the own edge."""
    machine = Bare("00 F3" + NOPS, im=1, askers=asked(4 + when), **ON).go(50)
    expected = [4] if when < 0 else []
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == expected


# --- NMI and the flip-flops -------------------------------------------------------------
def test_nmi_wins_over_int_and_keeps_it_out() -> None:
    """UM0080 p.14 (priority), p.18 (IFF1 reset): the request waits until RETN."""
    askers = [Asker(at=[(-1, FALL_NMI)]), Asker(port=0x20, at=[(-1, ASK)])]
    machine = Bare(NOPS, im=1, askers=askers, memory={0x66: "00 ED 45"}, **ON).go(11 + 4 + 14 + 1)
    kinds = [(c.kind, c.t) for c in machine.cycles if c.kind in ("nmi", "acknowledge")]
    assert kinds == [("nmi", 0), ("acknowledge", 29)]
    assert machine.word(0xEFFE) == 0x100


@pytest.mark.parametrize("iff", [0, 1])
def test_retn_copies_iff2_back(iff: int) -> None:
    """UM0080 p.18, IFF table: accept NMI: IFF1 = 0; RETN: IFF1 = IFF2."""
    machine = Bare(NOPS, askers=[Asker(at=[(-1, FALL_NMI)])], memory={0x66: "00 ED 45"},
                   iff1=iff, iff2=iff).step(2)
    assert machine.get("iff1", "iff2") == [0, iff]
    machine.step()
    assert machine.get("pc", "iff1", "iff2") == [0x100, iff, iff]


def test_int_clears_both_flip_flops_and_retn_leaves_them_so() -> None:
    """UM0080 p.18: IFF1 = IFF2 = 0 when INT is accepted."""
    machine = Bare(NOPS, im=1, askers=asked(), memory={0x38: "ED 45"}, **ON).step(2)
    assert machine.get("pc", "iff1", "iff2") == [0x100, 0, 0]


@pytest.mark.parametrize(("code", "flag"), [("ED 57", 4), ("ED 5F", 4)])
@pytest.mark.parametrize("iff2", [0, 1])
def test_ld_a_i_and_ld_a_r_show_iff2_in_parity(code: str, flag: int, iff2: int) -> None:
    """UM0080 p.18, p.92: inside an NMI handler P/V tells whether INT was enabled."""
    machine = Bare(NOPS, askers=[Asker(at=[(-1, FALL_NMI)])], memory={0x66: code},
                   iff1=iff2, iff2=iff2).step(2)
    assert machine.f & flag == flag * iff2


@pytest.mark.parametrize("code", ["ED 57", "ED 5F"])
@pytest.mark.parametrize(("part", "parity"), [("nmos", 0), ("cmos", 4)])
def test_int_during_ld_a_i_spoils_parity_on_nmos_parts(code: str, part: str, parity: int) -> None:
    """UM0080 p.92 (P/V reads 0 when interrupted in it); which parts: from memory."""
    machine = Bare(code + NOPS, part=part, im=1, askers=asked(3), **ON).go(10)
    assert machine.pc == 0x38
    assert machine.f & 4 == parity


def test_int_one_instruction_after_ld_a_i_spoils_nothing() -> None:
    """UM0080 p.92: only an interrupt during the instruction itself does."""
    machine = Bare("ED 57" + NOPS, im=1, askers=asked(9), **ON).go(14)
    assert machine.pc == 0x38
    assert machine.f & 4 == 4


# --- HALT and repeated instructions -----------------------------------------------------
@pytest.mark.parametrize("when", range(8, 16))
def test_halt_is_left_at_the_end_of_an_idle_fetch(when: int) -> None:
    """UM0080 p.14: lines are sampled at the rising edge of each T4; 0 to 3 T-states to wait."""
    machine = Bare("76", im=1, askers=asked(when), **ON).go(when + 12)
    taken = 4 * (when // 4) + 4  # the first end of a fetch behind the edge that sees it
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == [taken]
    assert [c.kind for c in machine.cycles].count("halted") == taken // 4 - 1
    assert machine.get("halted", "r") == [0, taken // 4 + 1 + (machine.m.t - taken - 13) // 4]
    assert machine.word(0xEFFE) == 0x101


def test_halt_pins_and_refresh() -> None:
    """UM0080 p.14: M1 cycles that go on, with refresh and /HALT low, the byte ignored.

    Address of the idle fetches: PC behind HALT, as a hardware study has it; the manual's
    chart does not say.
    """
    machine = Bare("76 3C", a=0).go(12)
    assert texts(machine)[4:] == [
        "0101 -- HALT M1 MREQ RD", "0101 -- HALT M1 MREQ RD", "0001 3C HALT MREQ RFSH",
        "0001 -- HALT MREQ RFSH", "0101 -- HALT M1 MREQ RD", "0101 -- HALT M1 MREQ RD",
        "0002 3C HALT MREQ RFSH", "0002 -- HALT MREQ RFSH"]
    assert machine.get("a", "pc", "r", "halted") == [0, 0x101, 3, 1]


def test_halt_counts_r_on_over_long_waits() -> None:
    """UM0080 p.14: one refresh an idle fetch; bit 7 stands (from memory)."""
    machine = Bare("76", r=0x80).go(4 * 1000)
    assert machine.get("r", "t") == [0x80 | 1000 % 128, 4000]


def test_halt_with_interrupts_off_is_left_by_nmi_only() -> None:
    """UM0080 p.13-14, p.18."""
    machine = Bare("76", im=1, askers=[Asker(at=[(1, ASK), (41, FALL_NMI)])]).go(45)
    assert [(c.kind, c.t) for c in machine.cycles if c.kind in ("nmi", "acknowledge")] == [
        ("nmi", 44)]
    assert machine.get("pc", "halted") == [0x66, 0]
    assert machine.word(0xEFFE) == 0x101


def test_int_during_ldir_pushes_the_address_of_the_ed_byte_and_ldir_goes_on() -> None:
    """UM0080 p.130: PC is put back after each byte, so interrupts come between bytes."""
    machine = Bare("ED B0 76", im=1, hl=0x200, de=0x300, bc=4, askers=asked(30),
                   memory={0x38: "FB C9", 0x200: "11 22 33 44"}, **ON)
    machine.go(43)
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == [42]
    assert machine.word(0xEFFE) == 0x100
    assert machine.bc == 2
    machine.go(42 + 27 + 21 + 16)
    assert machine.get("bc", "pc", "hl", "de", "t") == [0, 0x102, 0x204, 0x304, 106]
    assert [machine.byte(0x300 + k) for k in range(4)] == [0x11, 0x22, 0x33, 0x44]


# --- RESET and OUT (C),0 ----------------------------------------------------------------
def test_reset_state() -> None:
    """UM0080 p.18-19 (IFFs, mode 0); PC, I, R = 0 and SP = AF = FFFFh from memory."""
    machine = Bare("76", i=0x55, im=2, b=0x77, **ON).go(40)
    machine.machine.reset()
    assert machine.get("pc", "i", "r", "iff1", "iff2", "im", "halted") == [0] * 7
    assert machine.get("sp", "af", "b") == [0xFFFF, 0xFFFF, 0x77]
    assert machine.t == 40


@pytest.mark.parametrize(("part", "byte"), [("nmos", 0x00), ("cmos", 0xFF)])
def test_out_c_0_drives_what_the_part_drives(part: str, byte: int) -> None:
    """From memory: ED 71 puts 00h on the bus on NMOS parts, FFh on CMOS parts; 12 T-states."""
    machine = Bare("ED 71", part=part, bc=0x1234).step()
    assert machine.split == [("fetch", 4), ("fetch", 4), ("out", 4)]
    assert texts(machine)[8:] == ["1234 --", *[f"1234 {byte:02X} IORQ WR"] * 3]
