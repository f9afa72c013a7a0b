"""Two runs side by side: what is a divergence, and what is only another place or time."""
from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from knowngood_bench import FULL, TIDEWATER, patched

from emu.cli import group
from emu.compare.align import Gap, gaps, together
from emu.compare.measures import stacks
from emu.errors import InputError

PLANE = """
[slot.cpu]
card = "z80-cpu"
clock = "4 MHz"
[slot.memory]
card = "plain-memory"
image = "{image}"
symbols = "{symbols}"
rom-start = 0x0000
rom-size = 32768
ram-start = 0x8000
ram-size = 32768
"""


def program(folder: Path, name: str, show: int, extra: str = "", table: str = "41") -> Path:
    """A program whose function ``show`` lies at an address of our choice.

    It writes a byte of a table behind it to port 10h, which no card decodes.
    """
    low, high = show & 0xFF, show >> 8
    body = bytes.fromhex(extra)
    where = show + 7 + len(body)
    code = {
        0: bytes.fromhex("310090") + bytes([0xCD, low, high]) + bytes.fromhex("f376"),
        show: body + bytes([0x21, where & 0xFF, where >> 8])  # ld hl, table
        + bytes.fromhex("7ed310c9") + bytes.fromhex(table)}  # ld a, (hl); out (10h), a; ret
    chip = bytearray(0x200)
    for at, data in code.items():
        chip[at:at + len(data)] = data
    (folder / f"{name}.bin").write_bytes(chip)
    (folder / f"{name}.sym").write_text(
        f"main = 0x0000\nshow = 0x{show:04x}\ntable = 0x{where:04x}\n")
    path = folder / f"{name}.toml"
    path.write_text(PLANE.format(image=f"{name}.bin", symbols=f"{name}.sym"))
    return path


def compare(*arguments: object) -> Result:
    return CliRunner().invoke(group, ["compare", *map(str, arguments)])


def found(*arguments: object) -> dict:
    result = compare(*arguments, "--json", "--limit", "0.001")
    assert result.exit_code in (0, 1), result.output
    tree = json.loads(result.stdout)
    assert tree["same"] is (result.exit_code == 0)
    return tree


def test_code_at_another_address_is_no_divergence(tmp_path: Path) -> None:
    a, b = program(tmp_path, "a", 0x40), program(tmp_path, "b", 0x123)
    assert found(a, b)["divergence"] is None
    for path in (a, b):  # without symbols it is one
        path.write_text("".join(line + "\n" for line in path.read_text().split("\n")
                                if not line.startswith("symbols")))
    divergence = found(a, b)["divergence"]
    assert divergence["left"]["t"] == 10 and divergence["what"].startswith("the foregrounds part")


def test_an_instruction_more_is_one(tmp_path: Path) -> None:
    """LD SP takes 10 T-states, CALL 17 (UM0080): the new instruction stands at T 27."""
    a, b = program(tmp_path, "a", 0x40), program(tmp_path, "b", 0x140, extra="00")
    divergence = found(a, b)["divergence"]
    assert divergence["left"] == {"t": 27, "words": "0040h, show: ld hl,0x0047"}
    assert divergence["right"] == {"t": 27, "words": "0140h, show: nop"}


def test_another_byte_to_a_port_is_one(tmp_path: Path) -> None:
    """LD HL,nn 10, LD A,(HL) 7, OUT (n),A: its I/O cycle begins after 4 + 3 (UM0080)."""
    a, b = program(tmp_path, "a", 0x40), program(tmp_path, "b", 0x140, table="42")
    divergence = found(a, b)["divergence"]
    assert divergence["what"].startswith("another byte is written to port 10h, the 1.")
    assert divergence["left"] == {"t": 51, "words": "out 10h = 41h, 0044h, show+4: out (0x10),a"}
    assert divergence["right"]["words"].startswith("out 10h = 42h, 0144h, show+4")


def test_a_slower_machine_does_the_same(tmp_path: Path) -> None:
    """Wait states: other times, loops and interrupts elsewhere, and nothing that matters.

    `help` keeps the shell busy long enough that on both sides a tick finds it running.
    """
    slow = tmp_path / "slow.toml"
    slow.write_text(f'extends = "{FULL}"\n[slot.memory]\nwaits-m1 = 1\n')
    result = compare(FULL, slow, "--until", "tw> ", "--send", r"help\r",
                     "--send", r"sleep 1\r", "--limit", "3")
    assert result.exit_code == 0, result.output
    assert "same: no divergence that matters" in result.output
    assert "T-states in sched_next" in result.output
    assert [line for line in result.output.splitlines() if line.startswith("differs")] == [
        "differs: slot memory: waits-m1 = 0 here, 1 there."]
    rows = {line.split("  ")[0]: line.split()[-2:] for line in result.output.splitlines()}
    assert rows["interrupts of sio"] == ["745", "745"]  # one a character
    assert [int(n) // 10 for n in rows["interrupts of ctc"]] == [16, 16]  # 100 a second


def test_a_card_less() -> None:
    tree = json.loads(compare(FULL, TIDEWATER / "no-timer.toml", "--until", "tw> ",
                              "--json").stdout)
    assert "tick_isr" in tree["divergence"]["left"]["words"]
    assert tree["divergence"]["right"] is None
    assert tree["interrupts"]["ctc"][1] == 0 or tree["interrupts"]["ctc"][1] is None
    assert any("ctc" in line for line in tree["descriptions"])


def test_an_image_in_place_of_the_right_side(tmp_path: Path) -> None:
    patched(tmp_path, b"Tidewater 1.5, harbour", b"Tidewater 1.7, harbour")
    tree = json.loads(compare(FULL, tmp_path / "tidewater.elf", "--until", "tw> ",
                              "--json").stdout)
    assert tree["divergence"]["left"]["words"].startswith("out 20h = 35h, ")
    assert tree["divergence"]["right"]["words"].startswith("out 20h = 37h, ")
    assert tree["console"][0].startswith("sio.a: the texts part in line 2: '5, harbour")


def test_stack_depth_is_that_of_the_pushes() -> None:
    """Two stacks: 6 bytes below F000h, 2 below E000h; a switch back is no new one."""
    sp = [0x1234, 0xF000, 0xEFFE, 0xEFFC, 0xEFFA, 0xEFFC, 0xE000, 0xDFFE, 0xEFFC, 0xEFFE]
    assert [(s.top, s.depth) for s in stacks(sp)] == [(0xF000, 6), (0xE000, 2)]
    assert stacks([]) == []


def test_gaps_leave_equal_stretches() -> None:
    """Property: what lies between the gaps is the same on both sides."""
    random = np.random.default_rng(3)
    for _ in range(40):
        left = random.integers(0, 50, 600)
        right = left.copy()
        for at in sorted(random.integers(0, 500, 3).tolist(), reverse=True):
            count = int(random.integers(1, 30))
            right = (np.delete(right, slice(at, at + count)) if random.random() < 0.5
                     else np.insert(right, at, random.integers(0, 50, count)))
        i = j = 0
        for gap in gaps(left, right, 8, 400):
            assert not gap.lost
            assert (left[i:gap.i0] == right[j:gap.j0]).all() and gap.i0 - i == gap.j0 - j
            i, j = gap.i1, gap.j1
        rest = min(len(left) - i, len(right) - j)
        assert rest > 0 and (left[i:i + rest] == right[j:j + rest]).all()


def test_gaps_of_strangers() -> None:
    left, right = np.arange(100), np.arange(200, 300)
    assert list(gaps(left, right, 8, 50)) == [Gap(0, 100, 0, 100, True)]
    assert together(left, np.arange(90, 190), 8) == (90, 0)
    assert list(gaps(left, left[:40], 8, 50)) == []


def refusal(*arguments: object) -> str:
    result = compare(*arguments)
    assert isinstance(result.exception, InputError), result.output
    return str(result.exception)


def test_refused() -> None:
    image = TIDEWATER / "tidewater.elf"
    assert refusal(FULL).startswith("compare needs one thing beside LEFT")
    assert refusal(image, image).endswith("name the backplane file that it goes into with --on.")


@pytest.mark.parametrize("on", [True, False])
def test_both_sides_may_be_images(on: bool, tmp_path: Path) -> None:
    image = TIDEWATER / "tidewater.elf"
    arguments = (image, image, "--on", FULL) if on else (FULL, image)
    assert compare(*arguments, "--limit", "0.01").exit_code == 0
