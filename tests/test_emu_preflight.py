"""The page before burning: measured against programs whose times are worked out by hand."""
import json
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.machine.machine import Machine
from emu.preflight import rom, timing
from emu.preflight.item import GO, NO_GO, NOTE
from emu.preflight.measure import measure, regions, room_below
from emu.romtools.packing import pack
from emu.run.session import Session

CAGE = """
name = "cage"
[slot.cpu]
card = "z80-cpu"
clock = "10 MHz"
[slot.memory]
card = "plain-memory"
image = "program.bin"
rom-size = 0x2000
[slot.ctc]
card = "z80-ctc"
base = 0x28
"""
# LD SP,9000h; IM 2; LD A,90h; LD I,A; LD HL,0080h; LD (9010h),HL; vector 10h;
# timer /16 * 125 = 2000 T; EI; loop: CALL sub; JR loop; sub: DI; 40 NOPs; EI; RET
PROGRAM = (bytes.fromhex("310090 ED5E 3E90 ED47 218000 221090 3E10 D328 3E87 D328 3E7D D328 FB"
                         "CD3000 18FB").ljust(0x30, b"\0") + b"\xf3" + b"\0" * 40 + b"\xfb\xc9"
           ).ljust(0x80, b"\xff") + bytes.fromhex("FB ED4D")


@pytest.fixture
def cage(tmp_path: Path) -> Path:
    (tmp_path / "program.bin").write_bytes(PROGRAM)
    path = tmp_path / "cage.toml"
    path.write_text(CAGE)
    return path


def ran(path: Path, seconds: float = 0.01) -> Session:
    session = Session(Machine(load(path)), None, seconds)
    session.run()
    return session


def test_stack_off_time_latency_and_vectors(cage: Path) -> None:
    session = ran(cage)
    found = measure(session.so_far())
    # from behind DI to behind EI: 40 NOPs and EI itself, 4 T each (UM0080)
    assert found.off is not None and found.blocked is not None
    assert (found.off.length, found.off.since.pc, found.off.to) == (4 * 41, 0x30, 0x5A)
    # a request that just missed being seen before DI waits for DI, all that, and RET (10 T)
    assert (found.blocked.length, found.blocked.since.pc) == (4 + 4 * 41 + 10, 0x30)
    # two calls deep: the subroutine's return address, and an interrupt's
    assert regions(found) == [(0x8FFC, 0x9000)]
    assert found.vectors == {(0x90, 0x10): 0x80} and found.floating_vectors == 0
    # a request that comes with DI waits for EI and the instruction behind it
    assert 4 * 41 <= found.worst_latency <= 4 * 41 + 40


def test_room_below_a_stack_ends_at_what_is_used(cage: Path) -> None:
    session = ran(cage)
    found = measure(session.so_far())
    writable = found.stack.copy()
    writable[0x8000:] = True
    found.live[0x8FE0] = True
    assert room_below(found, 0x8FFC, writable) == 0x8FFC - 0x8FE1


def test_windows_of_the_worked_example(cage: Path) -> None:
    """A public worked example for 10 MHz: 1.5 clocks less 55 and 25 ns are 70 ns."""
    machine = ran(cage).machine
    assert timing.windows(machine, 0, 0).fetch == pytest.approx(70)
    assert timing.windows(machine, 1, 0).fetch == pytest.approx(170)
    levels = {ns: next(iter(timing.access(machine, {"memory": ns}))).level
              for ns in (45, 65, 90)}
    assert levels == {45: GO, 65: NOTE, 90: NO_GO}


@pytest.mark.parametrize(("fill", "level", "word"), [
    (0xFF, NOTE, "RST 38h"), (0x76, GO, "HALT"), (0x00, NOTE, "NOP")])
def test_fill(cage: Path, fill: int, level: str, word: str) -> None:
    packed = pack([str(cage.parent / "program.bin")], 0x2000, fill)
    assert packed.data[-1] == fill
    (cage.parent / "program.bin").write_bytes(packed.data)
    found = [item for item in rom.checks(load(cage)) if item.title == "memory: fill"]
    assert [(item.level, word in item.text) for item in found] == [(level, True)]


def test_good_and_bad_tidewater(preburn, roms: Path) -> None:
    done = preburn("preflight", roms / "tidewater/full.toml", "--until", "tw> ", "--record",
                   roms / "tidewater/good/full.json", "--access", "memory=70")
    assert done.returncode == 0, done.stdout
    assert done.stdout.startswith(f"preflight {roms}/tidewater/full.toml: go:")
    assert "record: same" in done.stdout and "leave 84 ns" in done.stdout
    done = preburn("preflight", roms / "tidewater/mixed-modes.toml", "--until", "tw> ", "--limit",
                   "3", "--json")
    assert done.returncode == 1
    told = json.loads(done.stdout)
    assert not told["go"]
    assert {"boot", "vectors"} <= {i["title"] for i in told["items"] if i["level"] == NO_GO}


def test_serial_margins(preburn, roms: Path) -> None:
    """38400 baud 8N1: ten bits, 260.4 us a character; the SIO holds three (UM0081)."""
    done = preburn("preflight", roms / "tidewater/full.toml", "--send", r"ls\r", "--limit", "2")
    assert "sio: receive a: 4800 T (781.2 us) allowed" in done.stdout, done.stdout


def test_floppy_byte_service(preburn, roms: Path) -> None:
    """8272 description: 13 us for a byte of MFM at 500 kbit/s; here in T-states of 6.144 MHz."""
    done = preburn("preflight", roms / "floppy/makefs.toml", "--until", "done", "--limit", "80",
                   "--json")
    found = [i["text"] for i in json.loads(done.stdout)["items"]
             if i["title"] == "floppy: byte service"]
    allowed, taken = (int(word.split(" T")[0]) for word in found[0].split(", "))
    assert 60 <= taken < allowed <= 16e-6 * 6_144_000


def test_mistakes(preburn, roms: Path) -> None:
    done = preburn("preflight", roms / "tidewater/full.toml", "--access", "rom=fast")
    assert done.returncode == 2
    assert done.stderr.startswith("preburn: --access takes a slot and nanoseconds, such as ")
