"""A machine on one page: true to the file, the same everywhere, and what a run touched."""
from __future__ import annotations

import json
import os
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.layout.drawing import as_svg
from emu.layout.facts import layout
from emu.layout.tables import aligned, as_markdown, as_text, shown_ports
from emu.layout.touched import TouchedMachine, letters
from emu.run.session import Session

ROOT = Path(__file__).parent.parent
FULL = ROOT / "roms/tidewater/full.toml"
BASE = """
[backplane]
chain = ["ctc", "open", "sio"]
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "rom.bin"
rom-size = 0x6000
ram-start = 0x4000
ram-size = 0x8000
[slot.ctc]
card = "z80-ctc"
base = 0x28
mirrors = 0xC0
[slot.sio]
card = "z80-sio"
base = 0x68
clock-a = "614.4 kHz"
terminal-a = { baud = 38400 }
[[wire]]
from = "ctc.zcto0"
to = "sio.clock-b"
"""


def described(folder: Path, text: str = BASE) -> Path:
    path = folder / "machine.toml"
    path.write_text(text)
    return path


def test_the_page_needs_no_rom(preburn, tmp_path: Path) -> None:
    file = described(tmp_path)
    for command in (["layout"], ["check"], ["rates", "--tick", "100"]):
        done = preburn(command[0], file, *command[1:])
        assert "Traceback" not in done.stderr and done.returncode in (0, 1), done.stderr
    assert "note: not-built: rom.bin of memory is not there yet.\n" in preburn("check", file).stdout
    done = preburn("boot", file)  # a boot does
    assert done.returncode == 2 and "rom.bin: no such file" in done.stderr


def test_facts_by_hand(tmp_path: Path) -> None:
    """Decode, memory and chain worked out from the file with pencil and paper."""
    found = layout(load(described(tmp_path), unbuilt=True))
    ports = {(p.slot, p.register): p for p in found.ports}
    first = ports["ctc", "channel0"]
    assert (first.port, first.mirrors) == (0x28, (0x68, 0xA8, 0xE8))
    assert first.clashes == ("sio.a-data",)
    assert ports["sio", "a-data"].clashes == ("ctc.channel0",)
    areas = [(a.start, a.end, a.what, a.words) for a in found.areas]
    assert areas == [(0x0000, 0x5FFF, "ROM", ""), (0x4000, 0x5FFF, "RAM", "under the ROM"),
                     (0x6000, 0xBFFF, "RAM", "")]
    assert found.wires == [("ctc.zcto0", "sio.clock-b")]
    assert [(i.place, i.slot, i.vector_at) for i in found.interrupts] == [
        (1, "ctc", (0x28,)), (2, "sio", (0x6B,))]
    assert "CPU > ctc > (open) > sio" in as_text(found)
    gates = layout(load(described(tmp_path, BASE.replace("chain", "look-ahead = true\nchain", 1)),
                        unbuilt=True))
    assert "sio, with look-ahead" in as_text(gates)
    clocks = {(c.slot, c.what): c for c in found.clocks}
    # UM0081, CTC: 6.144 MHz / 256 / 240 = 100 Hz; SIO: clock / 16 is the rate
    assert clocks["ctc", "tick"].error == 0
    assert clocks["sio", "terminal-a"].reached == "38400 baud, exact"


def test_windows_and_pages_of_banked_memory() -> None:
    found = layout(load(FULL))
    assert [(a.start, a.register, a.port) for a in found.areas] == [
        (n * 0x2000, f"page{n}", 0x50 + n) for n in range(8)]
    assert [(p.first, p.last, p.what) for p in found.pages] == [
        (0, 0x3F, "ROM"), (0x40, 0x7F, "RAM")]
    assert found.pages[0].holds[0] == 0


def test_a_rom_over_banked_ram(tmp_path: Path) -> None:
    found = layout(load(described(tmp_path, """
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "banked-memory"
scheme = "overlay"
rom-area = 8192
base = 0x50
"""), unbuilt=True))
    assert [(a.start, a.end, a.what, a.register) for a in found.areas] == [
        (0, 0x1FFF, "ROM", "latch"), (0, 0x1FFF, "window", "latch"),
        (0x2000, 0x7FFF, "window", "latch"), (0x8000, 0xFFFF, "RAM", "")]


@pytest.mark.parametrize("form", ["text", "markdown", "svg", "json"])
def test_the_page_is_the_same_everywhere(tmp_path: Path, form: str) -> None:
    """Other folder, other hash seed, other time zone: not a byte differs."""
    pages = []
    for name, seed, zone in (("a", "1", "UTC"), ("other place", "2", "Asia/Tokyo")):
        folder = tmp_path / name
        folder.mkdir()
        described(folder)
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "PYTHONPATH": str(ROOT)}
        pages.append(subprocess.run(
            [sys.executable, "-m", "emu.cli", "layout", "--as", form], cwd=folder,
            env=environment, capture_output=True, check=True).stdout)
    assert pages[0] == pages[1] and len(pages[0]) > 1000
    assert str(tmp_path).encode() not in pages[0]


def test_the_picture_is_well_formed_and_inside_its_frame() -> None:
    for file in sorted((ROOT / "roms/tidewater").glob("*.toml")):
        if file.name == "build.toml":
            continue
        root = ElementTree.fromstring(as_svg(layout(load(file))))
        width, height = map(float, root.attrib["viewBox"].split()[2:])
        for each in root.iter():
            if "x" in each.attrib:
                assert 0 <= float(each.attrib["x"]) <= width
                assert 0 <= float(each.attrib["y"]) <= height


def test_markdown_keeps_its_columns() -> None:
    lines = [line for line in as_markdown(layout(load(FULL))).splitlines() if line[:1] == "|"]
    table = [len(line.replace("\\|", "").split("|")) for line in lines]
    marks = [k for k, line in enumerate(lines) if line.startswith("| ---")]
    for mark in marks:
        assert table[mark - 1] == table[mark] == table[mark + 1]


def test_ports_and_columns_are_written_short() -> None:
    assert shown_ports([0x28, 0x2A, 0x29, 0x68], 8) == "28h-2Ah, 68h"
    assert shown_ports([0x128], 16) == "0128h"
    many = shown_ports(range(0, 0x8000, 2), 16)
    assert many.startswith("0000h, 0002h") and many.endswith("and 16368 stretches more")
    assert aligned([("a", "bb", "c"), ("xxx", "", "y")]) == ["a    c", "xxx  y"]
    assert [letters(f) for f in (0, 1, 5, 6)] == ["-", "x", "xw", "rw"]


PROGRAM = bytes.fromhex(
    "3a0010"  # ld a,(1000h): reads ROM
    "320080"  # ld (8000h),a: writes RAM
    "d328"    # out (28h),a
    "db68"    # in a,(68h)
    "d377"    # out (77h),a: no card
    "76")     # halt


def test_what_a_run_touched(tmp_path: Path) -> None:
    (tmp_path / "rom.bin").write_bytes(PROGRAM.ljust(0x2000, b"\0"))
    text = BASE.replace("0xC0", "0").replace("ram-start = 0x4000", "ram-start = 0x6000")
    session = Session(TouchedMachine(load(described(tmp_path, text))), None, Fraction(1, 10))
    session.run()
    found = session.machine.touched()
    assert found.ports == {0x28: (0, 1), 0x68: (1, 0), 0x77: (0, 1)}
    assert found.flags("memory", 0, 256) == 1  # executed; the HALT's repeated fetch too
    assert found.flags("memory", 0x1000, 256) == 2
    assert found.flags("memory", 0x6000 + 0x2000, 256) == 4  # 8000h: behind the ROM's 6000h bytes
    assert found.flags("memory", 0x2000, 0x1000) == 0
    page = as_text(layout(load(tmp_path / "machine.toml")), found)
    assert "what a run of 100 ms touched" in page
    assert "  77h   1\n" in page and "6000h-DFFFh  memory  RAM" in page
    picture = as_svg(layout(load(tmp_path / "machine.toml")), found)
    titles = [e.text for e in ElementTree.fromstring(picture).iter() if e.tag.endswith("title")]
    assert titles == ["28h: 0 reads, 1 write", "68h: 1 read, 0 writes", "77h: 0 reads, 1 write"]
    assert "memory RAM: w" in picture and "port 77h, where no card stands: 0 reads, 1 w" in picture


def test_pages_are_those_that_stood_there(tmp_path: Path) -> None:
    """One window shows two RAM pages in turn; each gets the write that was meant for it."""
    code = bytes.fromhex(
        "af" "d350"          # xor a; out (50h),a: window 0 shows page 0
        "3e01" "d358"        # ld a,1; out (58h),a: paging on
        "3e45" "d354"        # window 4 shows page 45h
        "3e11" "320080"      # ld (8000h),a
        "3e47" "d354"        # page 47h
        "3a0180"             # ld a,(8001h): reads
        "76")
    (tmp_path / "rom.bin").write_bytes(code)
    file = described(tmp_path, """
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "banked-memory"
image = "rom.bin"
base = 0x50
""")
    session = Session(TouchedMachine(load(file)), None, 1)
    session.run()
    found = session.machine.touched()
    page = as_text(layout(load(file)), found)
    assert "45h w; 47h r" in page and "00h x" in page
    assert "memory pages of RAM: 45h w; 47h r" in as_svg(layout(load(file)), found)


def test_the_commands_forms(preburn, tmp_path: Path) -> None:
    file = described(tmp_path)
    out = tmp_path / "board.json"
    assert preburn("layout", file, "-o", out).returncode == 0
    assert json.loads(out.read_text()) == json.loads(preburn("layout", file, "--json").stdout)
    done = preburn("layout", FULL, "--run", "0.2", "--json")
    run = json.loads(done.stdout)["run"]
    assert run["seconds"] == pytest.approx(0.2, rel=1e-3) and run["ports"]


@pytest.mark.parametrize(("words", "told"), [
    ("-o page.doc", "page.doc: its suffix says no kind of page; take one of .txt, .md, .svg, "
     ".json, or say --as."),
    ("--json --as svg", "--json and --as svg: give one of them."),
    ("--script x", "--script belongs to --run; give --run SECONDS too."),
    ("--run soon", "--run takes seconds such as 10 or 0.5, not 'soon'.")])
def test_what_cannot_be_is_refused_in_a_line(preburn, words: str, told: str) -> None:
    done = preburn("layout", FULL, *words.split())
    assert (done.returncode, done.stderr) == (2, f"preburn: {told}\n")
