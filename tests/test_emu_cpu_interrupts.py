"""Interrupts among prefixes, accesses, events and stops: what no published vector holds.

Every run goes free, stopped at each T-state, and logged; all three must agree (cpu_machine).
Where no source is named, the expectation follows from UM0080 p.12: lines are looked at with
the rising edge of an instruction's last T-state, and nowhere else.
"""
from __future__ import annotations

import pytest
from cpu_machine import ASK, FALL_NMI, UNASK, Asker, Bare

from emu.bus.state import AT_TIME

NOPS = "00" * 40
ON = {"iff1": 1, "iff2": 1}


def answered(machine: Bare, kind: str = "acknowledge") -> list[int]:
    return [c.t for c in machine.cycles if c.kind == kind]


# --- prefixes ---------------------------------------------------------------------------
# From memory: a prefix is a 4 T-state M1 cycle, and no line is looked at behind it.
RUNS = ["DD 23", "DD DD 23", "FD DD 23", "DD FD DD 23", "DD" * 9 + "23", "FD DD" * 20 + "23"]


@pytest.mark.parametrize("code", RUNS)
@pytest.mark.parametrize(("action", "kind", "target"), [(ASK, "acknowledge", 0x38),
                                                        (FALL_NMI, "nmi", 0x66)])
def test_nothing_is_accepted_behind_a_prefix(code: str, action: int, kind: str,
                                             target: int) -> None:
    count = len(bytes.fromhex(code))
    length = 4 * count + 2  # INC IX: 4,6
    machine = Bare(code + NOPS, im=1, askers=[Asker(at=[(1, action)])], **ON).go(length + 1)
    assert answered(machine, kind) == [length]
    assert machine.pc == target
    assert machine.word(0xEFFE) == 0x100 + count
    assert machine.r == count + 1


@pytest.mark.parametrize("code", ["DD CB 05 06", "DD ED 44", "FD FD CB 05 C6", "CB 06", "ED 44"])
def test_nothing_is_accepted_inside_a_prefixed_instruction(code: str) -> None:
    machine = Bare(code + NOPS, im=1, hl=0x800, askers=[Asker(at=[(1, ASK)])], **ON).go(28)
    assert machine.word(0xEFFE) == 0x100 + len(bytes.fromhex(code))


@pytest.mark.parametrize("code", ["DD FB", "FD DD FB"])
def test_ei_behind_a_prefix_has_its_shadow_too(code: str) -> None:
    machine = Bare(code + "23" + NOPS, im=1, askers=[Asker(at=[(1, ASK)])]).go(24)
    assert machine.word(0xEFFE) == 0x100 + len(bytes.fromhex(code)) + 1


def test_the_shadow_of_ei_covers_a_whole_run_of_prefixes() -> None:
    machine = Bare("FB" + "DD" * 6 + "23" + NOPS, im=1, askers=[Asker(at=[(1, ASK)])]).go(40)
    assert answered(machine) == [4 + 6 * 4 + 6]


def test_an_endless_run_of_prefixes_comes_back_in_time() -> None:
    machine = Bare("", im=1, askers=[Asker(at=[(1, ASK)])], **ON)
    machine.m.phys[:65536] = 0xDD
    assert machine.machine.run(1_000_000) == AT_TIME
    assert 1_000_000 <= machine.t < 1_000_008
    assert machine.m.ack_count == 0


ED_EMPTY = [*range(0x40), *range(0x80, 0xA0), *range(0xA4, 0xA8), *range(0xAC, 0xB0),
            *range(0xB4, 0xB8), *range(0xBC, 0x100), 0x77, 0x7F]


def test_ed_without_meaning_does_nothing_in_8_tstates() -> None:
    """From memory: two opcode fetches, R + 2, all else unchanged."""
    others = ("af", "bc", "de", "hl", "sp", "iff1", "iff2", "im", "i")
    for opcode in ED_EMPTY:
        machine = Bare(f"ED {opcode:02X}", hl=0x1234, bc=0x5678, de=0x9ABC, im=2, i=0x21, **ON)
        before = machine.get(*others)
        machine.step()
        assert machine.split == [("fetch", 4), ("fetch", 4)], f"ED {opcode:02X}"
        assert machine.get(*others) == before, f"ED {opcode:02X}"
        assert machine.get("pc", "r") == [0x102, 2]


@pytest.mark.parametrize("opcode", [0x45, 0x4D, 0x55, 0x5D, 0x65, 0x6D, 0x75, 0x7D])
def test_reti_copies_iff2_as_retn_does(opcode: int) -> None:
    """Unsettled: UM0080 p.285 has RETI leave IFF1 alone; a public hardware test saw the copy."""
    machine = Bare(NOPS, askers=[Asker(at=[(-1, FALL_NMI)])], memory={0x66: f"ED {opcode:02X}"},
                   **ON).step(2)
    assert machine.get("pc", "iff1", "iff2") == [0x100, 1, 1]


# --- mode 0 with other instructions than RST and CALL ------------------------------------
# UM0080 p.19: any instruction, two T-states longer.  That PC stands while further bytes are
# read, and that they are ordinary reads which memory answers, unless a card takes its place:
# from memory (shared/facts/z80_im0.md, 2; no maker's text found).
@pytest.mark.parametrize(("supply", "length", "pc"), [
    ([0x00], 6, 0x100), ([0xC3, 0x34, 0x12], 12, 0x1234), ([0x3E, 0x55], 9, 0x100),
    ([0xED, 0x44], 10, 0x100),
    ([0xDD, 0x23], 12, 0x100), ([0xE9], 6, 0x800), ([0xCB, 0x3F], 10, 0x100)])
def test_mode_0_runs_any_instruction(supply: list[int], length: int, pc: int) -> None:
    machine = Bare("76", im=0, hl=0x800, askers=[Asker(supply=supply, at=[(-1, ASK)])], **ON)
    machine.step()
    assert machine.get("pc", "t") == [pc, length]
    assert machine.cycles[0].kind == "acknowledge"
    assert answered(machine) == [0]


def test_mode_0_takes_data_from_memory_even_at_pc() -> None:
    machine = Bare("11", im=0, hl=0x100, askers=[Asker(supply=[0x7E, 0x99], at=[(-1, ASK)])], **ON)
    machine.step()
    assert machine.get("a", "pc") == [0x11, 0x100]


# Vectors of the family run as opcodes: z80_im0.md, 3 (lengths: UM0080 p.19, 2 more), 4 and 6.
@pytest.mark.parametrize(("vector", "code", "split", "pc"), [
    (0x18, "05", [("acknowledge", 6), ("read", 8)], 0x105),  # JR e: 14
    (0x10, "05", [("acknowledge", 7), ("read", 8)], 0x105),  # DJNZ e, taken: 15
    (0x20, "FE", [("acknowledge", 6), ("read", 8)], 0x0FE),  # JR NZ, backwards
    (0x28, "05", [("acknowledge", 6), ("read", 3)], 0x100),  # JR Z, not taken
    (0xC3, "3E", [("acknowledge", 6), ("read", 3), ("read", 3)], 0x3E3E),  # JP nn: 12
    (0xCA, "3E", [("acknowledge", 6), ("read", 3), ("read", 3)], 0x100),  # JP Z,nn
    (0x3E, "55", [("acknowledge", 6), ("read", 3)], 0x100),  # LD A,n: 9
    (0xC6, "55", [("acknowledge", 6), ("read", 3)], 0x100),  # ADD A,n
    (0x08, "55", [("acknowledge", 6)], 0x100),  # EX AF,AF'
    (0xDD, "23", [("acknowledge", 6), ("fetch", 6)], 0x100),  # INC IX
    (0xCB, "3F", [("acknowledge", 6), ("fetch", 4)], 0x100)])  # SRL A
def test_mode_0_reads_the_operands_of_a_vector_from_memory_at_pc(
        vector: int, code: str, split: list[tuple[str, int]], pc: int) -> None:
    machine = Bare(code, im=0, af=0x0000, bc=0x0200,
                   askers=[Asker(supply=[vector], at=[(-1, ASK)])], **ON)
    machine.m.r[8:10] = 0x12, 0x33
    machine.step()
    assert machine.split == split
    assert machine.pc == pc
    assert [c.address for c in machine.cycles[1:]] == [0x100] * (len(split) - 1)
    assert [c.data for c in machine.cycles[1:]] == [int(code, 16)] * (len(split) - 1)
    if vector in (0x3E, 0xC6):
        assert machine.get("a") == [0x55]
    if vector == 0xDD:
        assert machine.m.r[8:10].tolist() == [0x12, 0x34]


@pytest.mark.parametrize("vector", [0xCD, 0xC4])
def test_mode_0_calls_the_byte_at_pc_twice_and_pushes_the_next_instruction(vector: int) -> None:
    machine = Bare("3E 77", im=0, af=0, askers=[Asker(supply=[vector], at=[(-1, ASK)])], **ON)
    machine.step()
    assert machine.split == [("acknowledge", 6), ("read", 3), ("read", 4), ("write", 3),
                             ("write", 3)]
    assert (machine.pc, machine.word(0xEFFE)) == (0x3E3E, 0x100)


def test_mode_0_runs_on_as_before_when_the_vector_is_no_operation() -> None:
    machine = Bare("06 12 76", im=0, askers=[Asker(supply=[0x00], at=[(-1, ASK)])], **ON).step(2)
    assert machine.get("b", "pc", "iff1", "t") == [0x12, 0x102, 0, 13]
    assert machine.m.ius[2] == 1  # and the device stays under service


def test_mode_0_djnz_that_falls_through_changes_b_alone() -> None:
    machine = Bare("06 12", im=0, bc=0x0134,
                   askers=[Asker(supply=[0x10], at=[(-1, ASK)])], **ON).step()
    assert machine.get("b", "pc", "t") == [0, 0x100, 10]
    machine.step()
    assert machine.get("b", "pc") == [0x12, 0x102]  # ordinary again: PC counts


def test_mode_0_with_a_floating_bus_reads_operands_from_memory_too() -> None:
    machine = Bare("32 00 08 05", a=0x18, im=0, askers=[Asker(plain=True, at=[(5, ASK)])],
                   floating="last-byte", **ON).step(2)
    assert machine.get("pc", "t") == [0x103 + 5, 13 + 14]


def test_reti_on_the_bus_in_mode_0_is_not_seen_by_the_chips() -> None:
    """They watch opcode fetches (M1 with RD, UM0081 daisy chain); an acknowledge has no RD."""
    askers = [Asker(supply=[0xED, 0x4D], at=[(-1, ASK)])]
    machine = Bare("00", im=0, askers=askers, memory={0xF000: "00 30"}, **ON).step()
    assert machine.split == [("acknowledge", 6), ("fetch", 4), ("read", 3), ("read", 3)]
    assert machine.pc == 0x3000
    assert machine.m.ius[2] == 1


@pytest.mark.parametrize(("floating", "target"), [("pull-ups", 0x38), ("last-byte", 0x28)])
def test_mode_0_without_an_answer_runs_what_the_bus_floats_at(floating: str, target: int) -> None:
    """FFh is RST 38h; the last byte is the one just written, EFh, which is RST 28h."""
    machine = Bare("32 00 08", a=0xEF, im=0, askers=[Asker(plain=True, at=[(5, ASK)])],
                   floating=floating, **ON)
    machine.step(2)
    assert answered(machine) == [13]
    assert machine.pc == target
    assert machine.word(0xEFFE) == 0x103
    assert machine.get("t") == [13 + 13]


# --- NMI --------------------------------------------------------------------------------
# That the edge is latched: from memory.
def test_nmi_answers_each_edge_once() -> None:
    machine = Bare(NOPS, askers=[Asker(at=[(1, FALL_NMI), (2, FALL_NMI), (60, FALL_NMI)])],
                   memory={0x66: "ED 45"}).go(120)
    assert answered(machine, "nmi") == [4, 61]


def test_nmi_during_an_acknowledge_is_taken_before_the_handler_begins() -> None:
    machine = Bare(NOPS, im=1, askers=[Asker(at=[(-1, ASK), (5, FALL_NMI)])], **ON).go(14)
    assert answered(machine, "nmi") == [13]
    assert machine.get("pc", "sp") == [0x66, 0xEFFC]
    assert machine.word(0xEFFC) == 0x38


def test_nmi_within_its_own_handler_nests() -> None:
    machine = Bare(NOPS, askers=[Asker(at=[(1, FALL_NMI), (20, FALL_NMI)])]).go(32)
    assert answered(machine, "nmi") == [4, 23]
    assert machine.word(0xEFFC) == 0x68


def test_nmi_made_by_an_output_waits_for_the_next_instruction() -> None:
    machine = Bare(f"3E {FALL_NMI:02X} D3 10" + NOPS, askers=[Asker()]).go(23)
    assert answered(machine, "nmi") == [22]


# --- accesses and events ----------------------------------------------------------------
@pytest.mark.parametrize(("action", "taken"), [(ASK, 24), (UNASK, 20)])
def test_a_memory_access_changes_int_too_late_for_its_own_last_edge(action: int,
                                                                    taken: int) -> None:
    at = [(12, ASK)] if action == UNASK else []
    machine = Bare(f"3E {action:02X} 32 00 80" + NOPS, im=1, askers=[Asker(window=8, at=at)], **ON)
    assert answered(machine.go(60)) == [taken]


@pytest.mark.parametrize(("code", "length"), [("DB 11", 11), ("ED 78", 12)])
def test_an_input_that_clears_the_request_is_still_answered(code: str, length: int) -> None:
    machine = Bare(code + NOPS, im=1, bc=0x11, askers=[Asker(at=[(2, ASK)], on_read=UNASK)], **ON)
    assert answered(machine.go(60)) == [length]


def test_ini_clears_the_request_in_time() -> None:
    """INI reads the port three T-states before its end (4,5,4,3): the line is high by then."""
    machine = Bare("ED A2" + NOPS, im=1, bc=0x211, hl=0x800,
                   askers=[Asker(at=[(2, ASK)], on_read=UNASK)], **ON)
    assert answered(machine.go(60)) == []


def test_another_cards_request_during_an_output_is_seen_at_its_end() -> None:
    machine = Bare(f"3E {UNASK:02X} D3 10" + NOPS, im=1,
                   askers=[Asker(), Asker(port=0x20, at=[(10, ASK)])], **ON)
    assert answered(machine.go(60)) == [18]


def test_two_cards_on_one_port_ask_too_late_together() -> None:
    machine = Bare(f"3E {ASK:02X} D3 10" + NOPS, im=1, askers=[Asker(), Asker()], **ON)
    assert answered(machine.go(60)) == [22]


@pytest.mark.parametrize("delay", [1, 10, 40])
def test_an_event_that_an_output_arranges_comes_when_it_is_due(delay: int) -> None:
    """The request falls ``delay`` behind OUT's last T-state, 17, among NOPs."""
    machine = Bare(f"3E {delay:02X} D3 12" + NOPS, im=1, askers=[Asker()], **ON).go(80)
    due = 17 + delay
    assert answered(machine) == [18 + -(-(due + 1 - 18) // 4) * 4]


def test_a_card_is_not_answered_while_one_above_it_is_served() -> None:
    """UM0081, daisy chain: a pending source below one under service waits for its RETI."""
    askers = [Asker(supply=[0x40], at=[(-1, ASK)]),
              Asker(supply=[0x42], port=0x20, at=[(-1, ASK)])]
    machine = Bare(NOPS, im=2, i=0x20, askers=askers, chain=["asker0", "asker1"],
                   memory={0x2040: "00 30 00 31", 0x3000: "FB 00 00 ED 4D"}, **ON)
    machine.go(19 + 12 + 14 + 1)
    assert answered(machine) == [0, 45]
    assert machine.pc == 0x3100
    assert int(machine.asker(0).returned) == 45


def test_a_card_whose_int_is_not_wired_pulls_nothing_and_still_blocks_the_chain() -> None:
    """/INT alone is cut; IEI and IEO run on (UM0081): the card below it stays silent."""
    askers = [Asker(at=[(-1, ASK)], wired=False), Asker(port=0x20, at=[(9, ASK)])]
    machine = Bare(NOPS, im=1, askers=askers, chain=["asker0", "asker1"], **ON).go(60)
    assert answered(machine) == []
    assert int(machine.m.int_line) == 0
    assert machine.m.ieo[2:4].tolist() == [0, 0]


@pytest.mark.parametrize("chain", [["asker0", "asker1"], None])
def test_a_chip_whose_int_is_not_wired_answers_an_acknowledge(chain: list[str] | None) -> None:
    """The chip sees M1, IORQ and IEI (UM0081, daisy chain), not where its INT pin goes: here
    another card pulls /INT, one without a vector."""
    askers = [Asker(supply=[0x40], at=[(-1, ASK)], wired=False),
              Asker(supply=[0x42], port=0x20, at=[]),
              Asker(plain=True, port=0x30, at=[(9, ASK), (30, UNASK)])]
    machine = Bare(NOPS, im=2, i=0x20, askers=askers, chain=chain,
                   memory={0x2040: "00 30", 0x3000: "FB 00 00 00 ED 4D"}, **ON)
    machine.go(12 + 19)
    assert answered(machine) == [12]
    assert (machine.pc, int(machine.m.ack_empty), int(machine.m.ius[2])) == (0x3000, 0, 1)
    machine.go(12 + 19 + 16 + 14 + 1)
    assert (int(machine.m.ius[2]), int(machine.asker(0).returned)) == (0, 12 + 19 + 16 + 14)


def test_a_run_may_stop_between_a_response_and_the_handlers_first_instruction() -> None:
    """So that a stepper can stand at the handler, and a stop there is not one late."""
    machine = Bare(NOPS, im=1, askers=[Asker(at=[(-1, ASK)])], memory={0x38: "3C"}, a=0, **ON)
    machine.step()
    assert machine.get("pc", "a", "t") == [0x38, 0, 13]
    machine.step()
    assert machine.get("pc", "a", "t") == [0x39, 1, 17]
