"""A whole disk, on a whole machine: the times that builders know, and what a run leaves.

Source of the times: arithmetic from rotation (300 rpm, 18 sectors); that making a file system
with a sector-at-a-time driver takes some ten minutes is common practice, no source.
"""
from __future__ import annotations

import binascii
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.machine.machine import Machine
from emu.media.files import flat_floppy
from emu.run.console import Console
from emu.run.session import Session

TURN = 0.2  # seconds
SECTORS, TRACKS = 18, 160


def block(track: int, sector: int) -> bytes:
    """Make up a block as roms/floppy/makefs.s does."""
    data = bytes((track + sector + k) & 0xFF for k in range(511))
    return data + bytes([sum(data) & 0xFF])


def run(path: Path) -> tuple[Session, float, float]:
    """Let a machine make its file system; the session, seconds of formatting and writing."""
    session = Session(Machine(load(path)), "done", Fraction(1200))
    session.run()
    assert session.reached
    console = session.console.channels["acia"]
    begun, writing, done = (
        float(session.machine.seconds(console.times[console.text.find(word)]))
        for word in (b"formatting", b"writing", b"done"))
    return session, writing - begun, done - writing


@pytest.fixture(scope="module")
def one_by_one() -> tuple[Session, float, float]:
    """Sectors in order on tracks without interleave."""
    return run(Path(__file__).parent.parent / "roms" / "floppy" / "makefs.toml")


@pytest.fixture(scope="module")
def every_second() -> tuple[Session, float, float]:
    """The same on tracks with interleave 2."""
    return run(Path(__file__).parent.parent / "roms" / "floppy" / "makefs-2.toml")


def seeking(session: Session) -> float:
    """Give the most that seeks can take: a step and the settling for each cylinder."""
    return 2 * 79 * (0.003 + 0.015)


def test_formatting_a_disk_takes_two_turns_a_track_at_most(one_by_one):
    session, formatting, _ = one_by_one
    assert TRACKS * TURN < formatting < 2 * TRACKS * TURN + seeking(session)  # 32 to 64 s


def test_sector_by_sector_each_sector_misses_its_turn(one_by_one):
    session, _, writing = one_by_one
    # 18 to 19 turns a track: 576 to 608 s, plus seeks
    assert 576 <= writing <= 608 + seeking(session)
    words = "\n".join(session.machine.slot("floppy").card.describe(
        session.machine.m, session.machine.slot("floppy").state))
    assert "2720 of 2720 sectors in order missed their turn" in words
    assert "interleave 2 would fit" in words


def test_interleave_that_fits_is_several_times_faster(one_by_one, every_second):
    session, _, writing = every_second
    assert writing * 5 < one_by_one[2]
    assert int(session.machine.slot("floppy").state.missed) == 0


def test_account_of_time_adds_up(one_by_one):
    session = one_by_one[0]
    state = session.machine.slot("floppy").state
    booked = sum(int(x) for x in state.spent)
    assert booked == int(state.doing_t) <= int(session.machine.m.t)
    assert float(session.machine.seconds(int(state.spent[3]))) == pytest.approx(
        # 2,880 sectors from the ID's end: gap 2, sync, mark, data, CRC; and 160 turns of FORMAT
        2880 * (22 + 12 + 4 + 512 + 2) * 16e-6 + TRACKS * TURN, rel=0.001)


def test_disk_holds_what_was_written(one_by_one, every_second):
    images = []
    for session, _, _ in (one_by_one, every_second):
        session.machine.flush()
        images.append(flat_floppy(session.machine.bays["floppy.drive-a"]))
    wanted = b"".join(block(track, sector) for track in range(TRACKS)
                      for sector in range(1, SECTORS + 1))
    assert images[0] == wanted and images[1] == wanted


# --- determinism ------------------------------------------------------------------------------
def digest(machine: Machine) -> tuple[int, int, int]:
    """Sum up all that a run leaves, its disk included."""
    machine.flush()
    saved = machine.snapshot()
    pieces = saved.media[0].pieces
    tracks = b"".join(pieces[k].data for k in sorted(pieces))
    return int(machine.m.t), binascii.crc32(saved.memory.tobytes()), binascii.crc32(tracks)


def booted(seconds: Fraction | float = 0) -> Machine:
    """Boot the machine and let it run so long."""
    machine = Machine(load(Path(__file__).parent.parent / "roms" / "floppy" / "makefs.toml"))
    Console(machine)
    machine.run(machine.at(seconds))
    return machine


def test_snapshot_holds_the_disk():
    machine = booted(2)
    saved = machine.snapshot()
    assert len(saved.media[0].pieces) > 3
    machine.run(machine.at(3))
    there = digest(machine)
    machine.restore(saved)
    machine.run(machine.at(3))
    assert digest(machine) == there
    fresh = booted()
    fresh.restore(saved)
    fresh.run(machine.at(3))
    assert digest(fresh) == there


def test_run_in_slices_ends_alike():
    whole, sliced = booted(Fraction(5, 2)), booted()
    for k in range(1, 5000):
        sliced.run(sliced.at(Fraction(k, 2000)))
    sliced.run(sliced.at(Fraction(5, 2)))
    assert digest(sliced) == digest(whole)


def test_replay_sees_the_disk_as_it_was():
    session = Session(Machine(load(
        Path(__file__).parent.parent / "roms" / "floppy" / "makefs.toml")), None, Fraction(2))
    session.run()
    again = session.replay(int(session.machine.m.t))
    assert digest(again) == digest(session.machine)
