"""Text, operands and flow of single instructions, each form named by its manual page."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emu.isa.disassembler import Instruction, Operand, disassemble


def decode(*data: int, at: int = 0x8000, name=None) -> Instruction:
    memory = {(at + offset) & 0xFFFF: byte for offset, byte in enumerate(data)}
    return disassemble(lambda address: memory.get(address, 0), at, name)


@pytest.mark.parametrize(
    ("data", "text", "length"),
    [
        ((0x00,), "nop", 1),
        ((0x3A, 0x34, 0x12), "ld a,(0x1234)", 3),  # UM0080, LD A,(nn)
        ((0xDD, 0x36, 0xFE, 0x55), "ld (ix-2),0x55", 4),  # UM0080, LD (IX+d),n
        ((0xFD, 0x66, 0x7F), "ld h,(iy+127)", 3),  # UM0080, LD r,(IY+d): H stays H
        ((0xED, 0xB0), "ldir", 2),  # UM0080, LDIR
        ((0xCB, 0x7E), "bit 7,(hl)", 2),  # UM0080, BIT b,(HL)
        ((0xDD, 0xCB, 0x05, 0xC6), "set 0,(ix+5)", 4),  # UM0080, SET b,(IX+d)
        ((0x18, 0xFE), "jr 0x8000", 2),  # UM0080, JR e
        ((0xDB, 0x20), "in a,(0x20)", 2),  # UM0080, IN A,(n)
    ],
)
def test_documented_forms_read_as_the_manual_writes_them(data, text, length):
    instruction = decode(*data)
    assert (instruction.text, instruction.length) == (text, length)
    assert instruction.data == bytes(data)
    assert instruction.address == 0x8000


@pytest.mark.parametrize(
    ("data", "text", "note"),
    [  # common practice, no source: the mirrors and holes of the ED page
        ((0xED, 0x4C), "neg", "undocumented code"),
        ((0xED, 0x55), "retn", "undocumented code"),
        ((0xED, 0x5D), "retn", "undocumented code"),
        ((0xED, 0x76), "im 1", "undocumented code"),
        ((0xED, 0x7E), "im 2", "undocumented code"),
        ((0xED, 0x4E), "im 0", "undocumented code"),
        ((0xED, 0x00), "nop", "undocumented code"),
        ((0xED, 0x77), "nop", "undocumented code"),
        ((0xED, 0x44), "neg", ""),
        ((0xDD, 0x00), "db 0xdd", "stray prefix"),
        ((0xDD, 0xFD, 0x21), "db 0xdd", "stray prefix"),
    ],
)
def test_undocumented_codes_come_with_a_note(data, text, note):
    instruction = decode(*data)
    assert (instruction.text, instruction.note) == (text, note)


@pytest.mark.parametrize(
    ("data", "flow", "target"),
    [
        ((0x00,), "next", None),
        ((0xC3, 0x34, 0x12), "jump", 0x1234),
        ((0x18, 0x10), "jump", 0x8012),
        ((0x28, 0x80), "branch", 0x7F82),
        ((0x10, 0xFE), "branch", 0x8000),
        ((0xCA, 0x34, 0x12), "branch", 0x1234),
        ((0xCD, 0x34, 0x12), "call", 0x1234),
        ((0xC4, 0x34, 0x12), "branch-call", 0x1234),
        ((0xC9,), "return", None),
        ((0xED, 0x4D), "return", None),
        ((0xED, 0x7D), "return", None),
        ((0xD8,), "branch-return", None),
        ((0xFF,), "restart", 0x38),
        ((0x76,), "halt", None),
        ((0xE9,), "indirect", None),
        ((0xDD, 0xE9), "indirect", None),
    ],
)
def test_flow_says_where_the_program_goes(data, flow, target):
    instruction = decode(*data)
    assert (instruction.flow, instruction.target) == (flow, target)


@pytest.mark.parametrize(
    ("data", "reads", "writes"),
    [
        ((0x3A, 0x34, 0x12), [("mem", 0x1234, 0, 1)], []),
        ((0x22, 0x34, 0x12), [], [("mem", 0x1234, 0, 2)]),
        ((0x02,), [], [("mem", "BC", 0, 1)]),
        ((0x34,), [("mem", "HL", 0, 1)], [("mem", "HL", 0, 1)]),
        ((0xDD, 0x7E, 0x80), [("mem", "IX", -128, 1)], []),
        ((0xFD, 0xCB, 0x02, 0x46), [("mem", "IY", 2, 1)], []),
        ((0xFD, 0xCB, 0x02, 0xC0), [("mem", "IY", 2, 1)], [("mem", "IY", 2, 1)]),
        ((0xDB, 0x20), [("port", 0x20, 0, 1)], []),
        ((0xD3, 0x21), [], [("port", 0x21, 0, 1)]),
        ((0xED, 0x78), [("port", "C", 0, 1)], []),
        ((0xED, 0xA3), [("mem", "HL", 0, 1)], [("port", "C", 0, 1)]),
        ((0xED, 0xB0), [("mem", "HL", 0, 1)], [("mem", "DE", 0, 1)]),
        ((0xC5,), [], [("mem", "SP", -2, 2)]),
        ((0xE1,), [("mem", "SP", 0, 2)], []),
        ((0xE3,), [("mem", "SP", 0, 2)], [("mem", "SP", 0, 2)]),
        ((0x78,), [], []),
    ],
)
def test_operands_name_the_memory_and_ports_touched(data, reads, writes):
    instruction = decode(*data)
    assert instruction.reads == tuple(Operand(*item) for item in reads)
    assert instruction.writes == tuple(Operand(*item) for item in writes)


def test_names_stand_for_addresses_but_not_for_plain_numbers():
    names = {0x1234: "console_init", 0x8000: "again", 0x38: "tick"}.get
    assert decode(0xCD, 0x34, 0x12, name=names).text == "call console_init"
    assert decode(0x3A, 0x34, 0x12, name=names).text == "ld a,(console_init)"
    assert decode(0x18, 0xFE, name=names).text == "jr again"
    assert decode(0xFF, name=names).text == "rst tick"
    assert decode(0x21, 0x34, 0x12, name=names).text == "ld hl,0x1234"
    assert decode(0xCD, 0x35, 0x12, name=names).text == "call 0x1235"


def test_bytes_and_targets_wrap_at_the_top_of_memory():
    across = decode(0xCD, 0x34, 0x12, at=0xFFFE)
    assert (across.data, across.target) == (bytes([0xCD, 0x34, 0x12]), 0x1234)
    assert decode(0x18, 0x10, at=0xFFFE).target == 0x0010


@given(st.binary(min_size=4, max_size=4), st.integers(0, 0xFFFF))
def test_every_byte_string_decodes_to_one_to_four_of_its_own_bytes(data, at):
    instruction = decode(*data, at=at)
    assert 1 <= instruction.length == len(instruction.data) <= 4
    assert data.startswith(instruction.data)
    assert instruction.text
    assert (instruction.target is not None) == (
        instruction.flow in ("jump", "branch", "call", "branch-call", "restart")
    )
