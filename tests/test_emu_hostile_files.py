"""Files that lie: each is refused in one line that names it, and nothing else happens."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import pytest
from click.testing import CliRunner

from emu.backplane.description import load
from emu.cli import group
from emu.compare import capture
from emu.errors import InputError
from emu.files.shape import ANY, Row, misfit
from emu.knowngood import recordfile
from emu.live import saved
from emu.media import trackfile
from emu.media.create import Wish, new_disk
from emu.media.disk import Disk
from emu.media.files import open_blocks
from emu.media.mounting import need
from emu.run.inputs import Input

Run = Callable[..., "CompletedProcess[str]"]
MACHINE = """[slot.cpu]
card = "z80-cpu"
[slot.memory]
card = "plain-memory"
rom-size = 0
"""


def refused(path: Path) -> str:
    with pytest.raises(InputError) as told:
        load(path)
    assert str(told.value).startswith(str(path))
    return str(told.value)


# --- backplane files ----------------------------------------------------------------------
@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("[[fault]]\nkind = { a = 1 }\n", "fault 1: there is no fault {'a': 1}"),
        ("[[fault]]\nkind = []\n", "fault 1: there is no fault []"),
        (
            '[slot.m]\ncard = "banked-memory"\nbase = 0x50\nwindow-size = 8192.0\n',
            "slot.m: window-size takes 4096, 8192, 16384, 32768, not 8192.0.",
        ),
        ('[slot.s]\ncard = "z80-sio"\nbase = 0x20\ndecode = 16.0\n', "decode takes 8 or 16"),
        (
            '[slot.f]\ncard = "fdc-765"\nbase = 0x40\ndrive-a = { size = [] }\n',
            "size takes 3.5, 5.25",
        ),
        (
            '[slot.f]\ncard = "fdc-765"\nbase = 0x40\ndrive-a = { rpm = 300.0 }\n',
            "rpm takes 300 or",
        ),
        (
            '[slot.f]\ncard = "fdc-765"\nbase = 0x40\ndrive-a = { geometry = { format = [] } }\n',
            "format takes 360K",
        ),
        (
            '[slot.c]\ncard = "z80-ctc"\nbase = 0x28\ntrigger-0 = "1e999999999 Hz"\n',
            'write a frequency as "6.144 MHz"',
        ),
    ],
)
def test_a_value_of_a_wrong_kind(tmp_path: Path, more: str, words: str) -> None:
    path = tmp_path / "m.toml"
    path.write_text(MACHINE + more)
    assert words in refused(path)


# --- captures -----------------------------------------------------------------------------
@pytest.mark.parametrize("time", ["inf", "-inf", "nan", "1e300", "1e999"])
def test_a_time_of_a_capture_that_is_none(tmp_path: Path, time: str) -> None:
    path = tmp_path / "c.csv"
    names = [*(f"D{k}" for k in range(8)), "M1", "RD", "WR", "MREQ", "IORQ"]
    path.write_text(
        f"Time [ns],{','.join(names)}\n1,{',0' * 13}\n".replace(",,", ",") + f"{time}{',0' * 13}\n"
    )
    with pytest.raises(InputError, match=rf"c\.csv: row 3: '{time}' is no time of a capture"):
        capture.read(path)


def test_a_level_of_a_capture_that_is_infinite(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    names = [*(f"D{k}" for k in range(8)), "M1", "RD", "WR", "MREQ", "IORQ"]
    path.write_text(f"Time [ns],{','.join(names)}\n1,inf{',0' * 12}\n")
    with pytest.raises(InputError, match="column 'D0' holds 'inf', not 0 or 1"):
        capture.read(path)


@pytest.mark.parametrize("time", ["9" * 400, "9" * 5000])
def test_a_dump_whose_time_is_no_number_of_this_world(tmp_path: Path, time: str) -> None:
    path = tmp_path / "c.vcd"
    lines = [*(f"D{k}" for k in range(8)), "M1", "RD", "WR", "MREQ", "IORQ"]
    declared = "".join(f"$var wire 1 {chr(33 + k)} {name} $end\n" for k, name in enumerate(lines))
    path.write_text(f"$timescale 1 ns $end\n{declared}$enddefinitions $end\n#0\n#{time}\n0!\n")
    with pytest.raises(InputError, match=r"c\.vcd: is no VCD that can be read"):
        capture.read(path)


# --- media --------------------------------------------------------------------------------
def tracks(head: bytes) -> bytes:
    return trackfile.MAGIC + head + b"\n" + zlib.compress(b"")


@pytest.mark.parametrize(
    "head",
    [
        b'{"geometry": null, "tracks": [[Infinity, 0, 1, 0]]}',
        b"[" * 100_000,
        b'{"geometry": null, "tracks": [[0, 0, 1.5, 0]]}',
        b'{"geometry": null, "tracks": [[[], 0, 1, 0]]}',
        b'{"geometry": null, "tracks": [[0, 0, 1]]}',
        b'{"geometry": null, "tracks": 5}',
        b"[]",
        b'{"geometry": null, "tracks": [[' + b"9" * 5000 + b", 0, 1, 0]]}",
    ],
)
def test_a_track_image_whose_head_lies(tmp_path: Path, head: bytes) -> None:
    path = tmp_path / "d.tracks"
    path.write_bytes(tracks(head))
    with pytest.raises(InputError, match=r"d\.tracks: is a damaged track image"):
        Disk.open(path, None)


def test_a_pipe_is_no_card_image(tmp_path: Path) -> None:
    """Opening it would wait for somebody who writes into it."""
    import os

    os.mkfifo(tmp_path / "p")
    with pytest.raises(InputError, match="p: is no ordinary file"):
        open_blocks(tmp_path / "p")


def disk(path: Path, kind: str, names: tuple[str, ...]) -> bytearray:
    """Make an image with files of one byte each."""
    made = new_disk(path, Wish("40x1x9x512", files=kind))
    for name in names:
        need(made.image).write(name, name.encode()[:1])
    made.save()
    return bytearray(path.read_bytes())


def export(path: Path, *words: str) -> Any:
    return CliRunner().invoke(
        group, ["medium", "export", str(path), "--geometry", "40x1x9x512", *words]
    )


def test_names_on_a_disk_stay_inside_the_folder(tmp_path: Path) -> None:
    image, out = tmp_path / "d.img", tmp_path / "out"
    data = disk(image, "tidewater", ("aa", "bb", "cc"))
    out.mkdir()
    for old, new in ((b"aa", b"../../up"), (b"bb", b".."), (b"cc", b"a\0b")):
        at = data.index(old.ljust(12, b"\0"))
        data[at : at + 12] = new.ljust(12, b"\0")
    image.write_bytes(data)
    done = export(image, "--to", str(out))
    assert done.exit_code == 0, done.output
    assert sorted(p.name for p in out.iterdir()) == ["..-..-up", "a-b", "file--"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["d.img", "out"]


def test_two_names_do_not_become_one_file(tmp_path: Path) -> None:
    image, out = tmp_path / "d.img", tmp_path / "out"
    data = disk(image, "tidewater", ("aa", "bb"))
    for old, new in ((b"aa", b"x/y"), (b"bb", b"x-y")):
        at = data.index(old.ljust(12, b"\0"))
        data[at : at + 12] = new.ljust(12, b"\0")
    image.write_bytes(data)
    out.mkdir()
    done = export(image, "--to", str(out))
    assert isinstance(done.exception, InputError)
    assert str(done.exception) == (
        f"{out}/x-y: both 'x/y' and 'x-y' would become this file; take "
        f"them off one by one, with --to FILE."
    )
    assert not list(out.iterdir())


def test_a_link_in_the_folder_is_not_followed(tmp_path: Path) -> None:
    image, out, mine = tmp_path / "d.img", tmp_path / "out", tmp_path / "mine"
    disk(image, "tidewater", ("aa",))
    out.mkdir()
    mine.write_text("mine")
    (out / "aa").symlink_to(mine)
    done = export(image, "--to", str(out), "--replace")
    assert isinstance(done.exception, InputError) and "aa: is a link" in str(done.exception)
    assert mine.read_text() == "mine"


def test_a_folder_that_leads_to_itself_is_listed_once(tmp_path: Path) -> None:
    """ECMA-107 has the entry: attribute 10h, first cluster at 26."""
    image = tmp_path / "d.img"
    data = disk(image, "fat12", ("AA.TXT",))
    root = 512 * (1 + 2 * int.from_bytes(data[22:24], "little"))
    first = root + 512 * (int.from_bytes(data[17:19], "little") * 32 // 512)
    entry = b"LOOP       \x10" + bytes(14) + struct.pack("<HI", 2, 0)
    data[root : root + 32] = entry
    cluster = data[13] * 512
    data[first : first + cluster] = entry * (cluster // 32)
    image.write_bytes(data)
    names = [e.name for e in need(Disk.open(image, "40x1x9x512").image).entries()]
    assert names[:2] == ["LOOP", "LOOP/LOOP"]
    assert len(names) == 1 + cluster // 32


# --- records and saved machines -----------------------------------------------------------
def test_misfit_names_the_place() -> None:
    shape = {"a": int, "b": [Row((str, int))], "c": {ANY: (str, type(None))}}
    good: dict[str, Any] = {"a": 1, "b": [["x", 2]], "c": {"k": None, "l": "m"}, "more": 1}
    assert misfit(good, shape) == ""
    for change, place in (
        ({"a": True}, "a"),
        ({"b": {}}, "b"),
        ({"b": [["x", 2], ["x"]]}, "b.1"),
        ({"b": [["x", 2.0]]}, "b.0.1"),
        ({"c": {"k": 3}}, "c.k"),
        ({"c": []}, "c"),
    ):
        assert misfit({**good, **change}, shape) == place
    assert misfit([], shape) == "it"


@pytest.fixture
def record(roms: Path) -> dict[str, Any]:
    tree: dict[str, Any] = json.loads(
        (next((roms / "tidewater" / "good").glob("*.json"))).read_text()
    )
    return tree


@pytest.mark.parametrize(
    ("place", "wrong"),
    [
        (("bus", "checkpoints"), [["a", 1, "x"]]),
        (("bus", "cycles"), 1.5),
        (("end",), []),
        (("milestones",), [["x"]]),
        (("console",), {"sio.a": {"lines": [[1]], "times": ""}}),
        (("memory",), {"x": {"power-on": 1, "changed": {}}}),
        (("ports",), {"x": [["20", 1, 1]]}),
        (("boot", "limit"), 5),
        (("boot", "places"), [1]),
        (("machine", "seed"), "x"),
        (("images",), {"memory": {"file": 3, "sha256": ""}}),
        (("interrupts",), {"cards": 3}),
    ],
)
def test_a_record_of_a_right_seal_and_a_wrong_shape(
    tmp_path: Path, record: dict[str, Any], place: tuple[str, ...], wrong: Any
) -> None:
    inner = record
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = wrong
    rest = {k: v for k, v in record.items() if k not in ("format", "seal")}
    path = tmp_path / "good.json"
    path.write_text(recordfile.dump(rest))
    with pytest.raises(
        InputError, match=f"{'.'.join(place)}.* is missing or not as records have it"
    ):
        recordfile.read(path)


@pytest.mark.parametrize(
    "row",
    [
        {"t": "x"},
        {"t": -1},
        {"t": 1 << 70},
        {"t": True},
        {"kind": []},
        {"kind": "nothing"},
        {"where": 5},
        {"value": 5},
        {"value": {"bytes": 5}},
        {"asked": None},
        {"kind": "memory", "where": "x", "value": {"bytes": "a"}},
        {"kind": "out", "value": None},
        {"kind": "register", "where": "hl", "value": "x"},
        {"kind": "out", "where": "1.5", "value": 1},
    ],
)
def test_an_input_of_a_saved_machine_that_is_none(row: dict[str, Any]) -> None:
    good = {"t": 5, "kind": "typed", "where": "sio.a", "value": {"bytes": "ls"}, "asked": -1}
    assert Input.from_dict(good).value == b"ls"
    with pytest.raises(InputError, match="no input of a run"):
        Input.from_dict({**good, **row})


@pytest.mark.parametrize(
    "change",
    [{"machine": {"seed": "x"}}, {"t": -1}, {"t": 1 << 70}, {"inputs": [5]}, {"images": []}],
)
def test_a_saved_machine_of_a_right_seal_and_a_wrong_shape(
    tmp_path: Path, change: dict[str, Any]
) -> None:
    tree = {
        "version": 1,
        "preburn": "x",
        "machine": {"seed": 1},
        "images": {},
        "media": {},
        "t": 0,
        "state": "",
        "inputs": [],
        **change,
    }
    path = tmp_path / "m.saved"
    path.write_text(json.dumps({"format": saved.FORMAT, **tree, "seal": recordfile.seal_of(tree)}))
    with pytest.raises(InputError, match=r"m\.saved: is damaged"):
        saved.seed_of(path)


@pytest.mark.parametrize("text", ['{"a": ' + "9" * 5000 + "}", "[" * 100_000, "\xff", "{"])
def test_text_that_is_no_json(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x"
    path.write_bytes(text.encode("latin-1"))
    for read in (recordfile.read, saved.seed_of):
        with pytest.raises(InputError, match=f"^{path}: "):
            read(path)


@pytest.mark.parametrize("clock", ["1e-7 Hz", "0.1 Hz"])
def test_a_cpu_that_stands_still(tmp_path: Path, clock: str) -> None:
    path = tmp_path / "m.toml"
    path.write_text(MACHINE.replace('card = "z80-cpu"', f'card = "z80-cpu"\nclock = "{clock}"'))
    assert "slot.cpu: clock: a CPU runs at 1 Hz or more, not at" in refused(path)


# --- cards of one's own ---------------------------------------------------------------------
CARD = """import numpy as np
from peripherals.card import Card
STATE = np.dtype([("slot", np.int64)])
CARD = Card(name="odd", summary="odd", source="ours", state=STATE, registers=("data",), {more})
"""


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("kinds=5", "kinds takes a table"),
        ("kinds={'data': 5}", "kinds: data takes one or several of"),
        ("kinds={'data': 'data'}", "kinds: data takes one or several of"),
        ("kinds={1: ('data',)}", "kinds takes a table"),
        ("live=5", "live takes a table"),
        ("live={'x': 1}", "live: x is no function"),
        ("actions={'x': 5}", "actions: x is no function"),
        ("describe=None", "describe takes a function, not None"),
        ("memory_size=5", "memory_size takes a function, not 5"),
        ("power_on=5", "power_on takes a function, not 5"),
        ("order=5", "order takes a function, not 5"),
        ("serve=None", "serve takes a function"),
        ("channels=('a',)", "channels names 'a', and state has no field"),
    ],
)
def test_a_card_that_declares_nonsense(tmp_path: Path, more: str, words: str) -> None:
    from emu.backplane.card_files import load_card_file

    path = tmp_path / "odd.py"
    path.write_text(CARD.format(more=more))
    with pytest.raises(InputError, match=f"{path}: CARD: {words}"):
        load_card_file(path)


@pytest.mark.parametrize("answer", ["'x'", "-1", "None", "1.5"])
def test_a_card_whose_size_is_no_number_of_bytes(tmp_path: Path, answer: str) -> None:
    from emu.backplane.card_files import load_card_file

    path = tmp_path / "odd.py"
    path.write_text(CARD.format(more=f"memory_size=lambda settings: {answer}"))
    words = rf"{path}:4: in <lambda>: memory_size gave {answer}: give"
    with pytest.raises(InputError, match=words):
        load_card_file(path).memory_size({})


def test_a_small_file_takes_little_memory(tmp_path: Path) -> None:
    """A limit of a GiB does not ask the system for a GiB."""
    import tracemalloc

    from emu.files.inputfile import read_limited

    path = tmp_path / "f"
    path.write_bytes(b"x" * 5_000_000)
    tracemalloc.start()
    try:
        assert len(read_limited(path, "capture", 1 << 30)) == 5_000_000
        assert tracemalloc.get_traced_memory()[1] < 30_000_000
    finally:
        tracemalloc.stop()
