"""Calls against the code of a compiler: SDCC 4.2 made tests/data/conventions/functions.ihx.

Where arguments and results stand is told by the SDCC manual ("Z80 calling conventions"); the
compiled functions are the outside check: a wrong place gives a wrong result.
"""
from pathlib import Path

import pytest

from emu.testing import Rig, u8, u16, u32
from emu.testing.conventions import REGISTERS, STACK, frame

DATA = Path(__file__).parent / "data" / "conventions"
MACHINE = f"""
name = "functions"
[slot.cpu]
card = "z80-cpu"
[slot.memory]
card = "plain-memory"
image = "{DATA / 'functions.ihx'}"
symbols = "{DATA / 'functions.cdb'}"
"""


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Rig:
    path = tmp_path_factory.mktemp("functions") / "machine.toml"
    path.write_text(MACHINE)
    made = Rig.boot(path)
    made.run(0.001)
    return made


@pytest.mark.parametrize(("name", "arguments", "returns", "value"), [
    ("bytes", (u8(7), u8(11), u8(13)), "u8", 7 * 3 + 11 * 5 + 13),
    ("byte_word", (u8(9), u16(40000)), "u16", 39991),
    ("word_byte", (u16(40000), u8(9)), "u16", 39991),
    ("words", (1000, 2000, 300), "u16", 7700),
    ("long_byte", (u32(0x12345678), u8(0x79)), "u32", 0x123455FF),
    ("word_long", (u16(2), u32(0x12345678)), "u16", 0x1232),
])
def test_register_convention(rig: Rig, name: str, arguments: tuple[int, ...], returns: str,
                             value: int) -> None:
    assert rig.call(name, *arguments, returns=returns).value == value


@pytest.mark.parametrize(("name", "arguments", "returns", "value"), [
    ("old_bytes", (u8(200), u8(57)), "u8", 143),
    ("old_long", (u16(0x1111), u32(0x7654F000)), "u32", 0x76550111),
])
def test_stack_convention(rig: Rig, name: str, arguments: tuple[int, ...], returns: str,
                          value: int) -> None:
    assert rig.call(name, *arguments, returns=returns, convention=STACK).value == value


def test_a_call_leaves_the_program_where_it_was(rig: Rig) -> None:
    before = {name: rig.register(name) for name in ("pc", "sp", "hl", "ix")}
    done = rig.call("words", 1, 2, 3, returns="u16")
    assert {name: rig.register(name) for name in before} == before
    assert done.t_states > 0 and done.executed and "functions.c" in str(done.lines)


def test_stack_and_time_of_one_return(rig: Rig) -> None:
    """UM0080: RET takes 10 T-states and 2 bytes of stack."""
    rig.poke(0x9000, b"\xc9")
    done = rig.call(0x9000)
    assert (done.t_states, done.stack_bytes, done.executed) == (10, 2, {0x9000})


def test_a_function_that_never_returns(rig: Rig) -> None:
    with pytest.raises(AssertionError, match=r"idle did not return within 5000 T-states; it was "
                                             r"in 0000h, idle"):
        rig.call("idle", budget=5000)


def test_frames() -> None:
    assert frame((), {"a": 3}, REGISTERS).registers == {"a": 3}
    assert frame((u8(1), u8(2), u8(3)), {}, REGISTERS).stack == b"\x03"
    assert frame((u8(1), u16(2)), {}, STACK).stack == b"\x01\x02\x00"
    assert u8(-1) == 255 and u16(-2) == 65534
    with pytest.raises(ValueError, match="does not fit into 1 bytes"):
        u8(256)
