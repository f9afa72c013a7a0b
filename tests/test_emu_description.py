"""Backplane files: what is read, and the one line that each mistake gives."""
from __future__ import annotations

import tomllib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.backplane.description import describe, load
from emu.errors import InputError

GOOD = """
name = "test"
[backplane]
chain = ["ctc"]
[slot.cpu]
card = "z80-cpu"
clock = "4 MHz"
[slot.memory]
card = "plain-memory"
[slot.ctc]
card = "z80-ctc"
base = 0x28
"""


def write(folder: Path, text: str, name: str = "m.toml") -> Path:
    path = folder / name
    path.write_text(text)
    return path


def mistake(folder: Path, text: str) -> str:
    """Give the message, without the file's path, that a text is refused with."""
    path = write(folder, text)
    with pytest.raises(InputError) as error:
        load(path)
    assert "\n" not in str(error.value)
    return str(error.value).replace(str(path), "FILE")


def test_a_good_file(tmp_path: Path) -> None:
    d = load(write(tmp_path, GOOD))
    assert d.name == "test"
    assert d.cpu_hz == Fraction(4_000_000)
    assert [s.name for s in d.slots] == ["cpu", "memory", "ctc"]
    assert [(r.port, r.mask) for r in d.slots[2].ports] == [
        (0x28, 0xFF), (0x29, 0xFF), (0x2A, 0xFF), (0x2B, 0xFF)]
    assert d.chain == ("ctc",)
    assert d.floating == "pull-ups"


@pytest.mark.parametrize(("change", "message"), [
    (("z80-ctc", "z80-ctx"), "FILE: slot.ctc: there is no card 'z80-ctx'; did you mean 'z80-ctc'?"),
    (("clock =", "clok ="),
     "FILE: slot.cpu: the card z80-cpu has no jumper 'clok'; did you mean 'clock'?"),
    (('"4 MHz"', '"4 parsecs"'),
     'FILE: slot.cpu: clock: write a frequency as "6.144 MHz", not \'4 parsecs\'.'),
    (('"4 MHz"', "4"), "FILE: slot.cpu: clock takes a frequency such as \"1.8432 MHz\", \"cpu\" or "
                       "\"none\", not 4."),
    (("base = 0x28", "base = 300"),
     "FILE: slot.ctc: base takes a whole number from 0 to 255, not 300."),
    (("base = 0x28", ""),
     "FILE: slot.ctc: the card z80-ctc has registers but no port; give it a base."),
    (("base = 0x28", "base = 0xFE"), "FILE: slot.ctc: register channel2 would stand at port 100h, "
                                     "beyond FFh; lower the base."),
    (('["ctc"]', '["cct"]'),
     "FILE: backplane.chain: there is no slot 'cct'; did you mean 'ctc'?"),
    (('["ctc"]', '["memory"]'), "FILE: backplane.chain: the card plain-memory in slot 'memory' has "
                                "no IEI and IEO; leave it out."),
    (('card = "z80-cpu"\nclock = "4 MHz"', 'card = "plain-memory"'),
     'FILE: a machine has one slot with card = "z80-cpu", not 0.'),
    (("[backplane]", "[backplain]"),
     "FILE: unknown key 'backplain'; did you mean 'backplane'?"),
    (("chain =", "chains ="), "FILE: backplane: unknown key 'chains'; did you mean 'chain'?"),
    (('name = "test"', "name = 3"), "FILE: name takes a text, not 3."),
    (('card = "plain-memory"', 'card = "plain-memory"\nimage = "none.bin"'), None),
])
def test_mistakes(tmp_path: Path, change: tuple[str, str], message: str | None) -> None:
    text = mistake(tmp_path, GOOD.replace(*change))
    if message is None:
        message = (f"FILE: slot.memory: {tmp_path}/none.bin: no such file; build it, or "
                   f"check the image path.")
    assert text == message


def test_broken_toml_says_line_and_column(tmp_path: Path) -> None:
    text = mistake(tmp_path, "[slot.cpu]\ncard = \n")
    assert text.startswith("FILE: broken TOML: ")
    assert "line 2, column 8" in text


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file; check the backplane file path"):
        load(tmp_path / "none.toml")
    with pytest.raises(InputError):
        load(tmp_path)


def test_an_image_larger_than_its_chip(tmp_path: Path) -> None:
    (tmp_path / "big.bin").write_bytes(b"\xc3" * 0x8001)
    text = mistake(tmp_path, GOOD.replace('"plain-memory"', '"plain-memory"\nimage = "big.bin"'))
    assert text.startswith("FILE: slot.memory: ")
    assert text.endswith("big.bin: holds 32769 bytes at 0000h, but the chip ends at 7FFFh; link "
                         "the code lower or fit a larger chip.")


def test_extends_and_fitted(tmp_path: Path) -> None:
    write(tmp_path, GOOD + '[[wire]]\nfrom = "ctc.zcto0"\nto = "ctc.trigger1"\n', "base.toml")
    d = load(write(tmp_path, 'extends = "base.toml"\n[slot.cpu]\nclock = "8 MHz"\n'
                             "[slot.ctc]\nfitted = false\n"))
    assert d.cpu_hz == 8_000_000
    assert [s.name for s in d.slots] == ["cpu", "memory"]
    assert d.chain == ()
    assert d.wires == ()


def test_extends_in_a_circle(tmp_path: Path) -> None:
    write(tmp_path, 'extends = "m.toml"', "other.toml")
    with pytest.raises(InputError, match="extend each other in a circle"):
        load(write(tmp_path, 'extends = "other.toml"'))


def test_board_variant(tmp_path: Path) -> None:
    write(tmp_path, 'card = "z80-ctc"\nsummary = "counter board"\nbase = 0x28\nmirrors = 4\n'
                    'order = ["channel3", "channel2", "channel1", "channel0"]\n', "board.toml")
    d = load(write(tmp_path, GOOD.replace('card = "z80-ctc"\nbase = 0x28',
                                          'card = "board.toml"')))
    ctc = d.slots[2]
    assert ctc.card.name == "z80-ctc"
    assert [(r.register, r.port) for r in ctc.ports] == [(0, 0x2B), (1, 0x2A), (2, 0x29),
                                                         (3, 0x28)]
    assert {r.mask for r in ctc.ports} == {0xFB}


@pytest.mark.parametrize(("text", "message"), [
    ('extends = "a\\u0000b"\n', "leads to no file"),
    ("[backplane]\nseed = " + "9" * 5000 + "\n", "a number of some thousand digits"),
    ("[slot.cpu]\nbase" + ".a" * 5000 + " = 1\n", "stand more than 32 deep"),
    ('[slot."a\\nb"]\ncard = "z80-cpu"\n', r"a slot cannot be named 'a\nb'"),
    ('[slot."a.b"]\ncard = "z80-cpu"\n', "a slot cannot be named 'a.b'"),
    ('[slot.open]\ncard = "z80-cpu"\n', "a slot cannot be named 'open'"),
])
def test_odd_files_give_one_line(tmp_path: Path, text: str, message: str) -> None:
    said = mistake(tmp_path, text)
    assert message in said
    assert "\n" not in said


def test_a_link_to_itself(tmp_path: Path) -> None:
    (tmp_path / "loop.toml").symlink_to("loop.toml")
    with pytest.raises(InputError, match="it links to itself"):
        load(tmp_path / "loop.toml")


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 70000) | st.text(max_size=8)
    | st.sampled_from(["z80-cpu", "z80-ctc", "plain-memory", "4 MHz", "open", "ctc.zcto0"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["cpu", "ctc", "card", "clock", "base", "chain", "from", "to", "ports",
                         "order", "fitted", "image", "terminal", "baud", "x"]), inner, max_size=4),
    max_leaves=12)


@settings(derandomize=True, max_examples=300, deadline=None)
@given(st.dictionaries(st.sampled_from(["name", "backplane", "slot", "wire"]), VALUES))
def test_any_tree_gives_a_description_or_one_line(tree: dict) -> None:
    try:
        describe(tree, Path("m.toml"))
    except InputError as error:
        assert "\n" not in str(error)


@settings(derandomize=True, max_examples=300, deadline=None)
@given(st.data())
def test_mutated_text_gives_a_description_or_one_line(tmp_path_factory, data) -> None:
    text = bytearray(GOOD.encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.getbasetemp() / "mutated.toml"
    path.write_bytes(text)
    try:
        load(path)
    except InputError as error:
        assert "\n" not in str(error).replace(tomllib.__name__, "")


def test_symbol_files_name_an_image(tmp_path: Path) -> None:
    (tmp_path / "rom.bin").write_bytes(b"\x76" * 64)
    (tmp_path / "rom.sym").write_text("start = 0x0000\nloop = 0x0010\n")
    text = GOOD.replace('card = "plain-memory"',
                        'card = "plain-memory"\nimage = "rom.bin"\nsymbols = ["rom.sym"]')
    image = load(write(tmp_path, text)).slots[1].images["image"]
    assert image.symbols.name_at(0x11) == "loop+1"
    lone = text.replace('image = "rom.bin"\n', "")
    assert "symbols belong to an image" in mistake(tmp_path, lone)
    assert "symbols takes a file" in mistake(tmp_path, text.replace('["rom.sym"]', "7"))
    gone = mistake(tmp_path, text.replace("rom.sym", "gone.sym"))
    assert "gone.sym: no such file" in gone


def test_a_file_from_another_editor(tmp_path: Path) -> None:
    """A mark of byte order in front is taken; other encodings are told by their line."""
    (tmp_path / "rom.bin").write_bytes(b"\x76")
    text = ('[slot.cpu]\ncard = "z80-cpu"\nclock = "4 MHz"\n'
            '[slot.memory]\ncard = "plain-memory"\nimage = "rom.bin"\n')
    path = tmp_path / "cage.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert [slot.name for slot in load(path).slots] == ["cpu", "memory"]
    path.write_bytes(text.encode() + b"# caf\xe9\n")
    with pytest.raises(InputError, match=r"cage\.toml:7: is not UTF-8 text; a backplane file is"):
        load(path)
    path.write_bytes(b"")
    with pytest.raises(InputError, match=r"cage\.toml: a machine has one slot with card = "):
        load(path)
