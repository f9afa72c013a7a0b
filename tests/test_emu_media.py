"""Media beside the machine: pieces on request, exact under snapshot, restore and tracing."""
from __future__ import annotations

import errno
import os
from pathlib import Path

import media_card
import pytest

from emu.backplane.description import load
from emu.errors import InputError
from emu.logs.tracer import watch
from emu.machine.machine import Machine
from emu.media.bay import BLOCK, Bay, Original
from emu.media.files import check_keep, keep, open_blocks, open_floppy
from emu.media.geometry import FORMATS
from emu.run.kept_media import keep_media

# loop: inc d; ld a,d; and 7; out (10h),a; in a,(11h); add a,d; out (11h),a; ld (300h),a; jr loop
COUNTER = bytes.fromhex("14 7A E6 07 D3 10 DB 11 82 D3 11 32 00 03 18 F0")


def counter(image: bytes = bytes(range(8 * BLOCK // 256)) * 256) -> Machine:
    """Boot a machine that counts in eight sectors."""
    machine = Machine(media_card.description(Original(None, image)))
    machine.m.phys[0x100:0x100 + len(COUNTER)] = list(COUNTER)
    machine.m.pc = 0x100
    machine.m.r[:12] = 0
    return machine


def outcome(machine: Machine) -> tuple[bytes, list[bytes], int, int]:
    """Give all that a run leaves: memory, sectors, time and place."""
    machine.flush()
    bay = machine.bays["store.medium"]
    return (machine.snapshot().memory.tobytes(), [bay.block(n) for n in range(8)],
            int(machine.m.t), int(machine.m.pc))


def naive(turns: int) -> list[int]:
    """Work out the sectors' first bytes after so many turns of the loop."""
    first = [(k * BLOCK) % 16 for k in range(8)]
    for d in range(1, turns + 1):
        first[d & 7] = (first[d & 7] + d) & 0xFF
    return first


def test_run_goes_on_at_the_same_t_state_after_a_request():
    machine = counter()
    turn = 4 + 4 + 7 + 11 + 11 + 4 + 11 + 13 + 12  # T-states of the loop, UM0080 p.70 on
    machine.run(turn * 100)
    assert machine.m.t == turn * 100
    assert [block[0] for block in outcome(machine)[1]] == naive(100)


def test_snapshot_holds_what_was_written_and_restore_brings_it_back():
    machine = counter()
    machine.run(5000)
    saved = machine.snapshot()
    machine.run(20000)
    there = outcome(machine)
    machine.restore(saved)
    machine.run(20000)
    assert outcome(machine) == there


def test_snapshot_restores_into_a_machine_built_anew():
    machine, again = counter(), counter()
    machine.run(5000)
    again.restore(machine.snapshot())
    for each in (machine, again):
        each.run(20000)
    assert outcome(again) == outcome(machine)


def test_run_in_slices_and_a_traced_run_are_the_same():
    whole, sliced, traced = counter(), counter(), counter()
    whole.run(9000)
    for t in range(7, 9000, 7):
        sliced.run(t)
    sliced.run(9000)
    watch(traced, 9000)
    assert outcome(sliced) == outcome(whole) == outcome(traced)


def test_version_of_a_bay_stays_as_it_was():
    bay = Bay("a", None)
    bay.put(1, b"one")
    version = bay.version()
    bay.put(1, b"two")
    assert (version.pieces[1], bay.get(1)) == (b"one", b"two")
    bay.restore(version)
    bay.put(2, b"three")
    assert version.pieces == {1: b"one"} and bay.pieces == {1: b"one", 2: b"three"}


def test_keep_writes_only_what_changed_and_leaves_the_rest(tmp_path: Path):
    path = tmp_path / "card.img"
    path.write_bytes(bytes(range(256)) * 8)
    path.chmod(0o640)
    bay = Bay("store.medium", open_blocks(path))
    assert not keep(bay)
    bay.put(1, b"x" * BLOCK)
    assert path.read_bytes() == bytes(range(256)) * 8
    assert keep(bay)
    assert path.read_bytes() == bytes(range(256)) * 2 + b"x" * BLOCK + bytes(range(256)) * 4
    assert path.stat().st_mode & 0o777 == 0o640
    assert [p.name for p in tmp_path.iterdir()] == ["card.img"]
    bay.put(0, b"y" * BLOCK)
    assert keep(bay) and path.read_bytes()[:BLOCK] == b"y" * BLOCK


def test_keep_of_a_machine_flushes_the_card_first(tmp_path: Path):
    path = tmp_path / "card.img"
    path.write_bytes(bytes(8 * BLOCK))
    machine = Machine(media_card.description(open_blocks(path)))
    machine.call(2, "write", media_card.DATA | 0x77 << 8, 0)
    assert keep_media(machine) == [str(path)]
    assert path.read_bytes()[0] == 0x77


@pytest.fixture
def changed(tmp_path: Path) -> Bay:
    """A bay with a card image that has been written to."""
    path = tmp_path / "card.img"
    path.write_bytes(bytes(BLOCK))
    bay = Bay("store.medium", open_blocks(path))
    bay.put(0, b"x" * BLOCK)
    return bay


def test_full_disk_on_write_back_loses_nothing(changed: Bay, monkeypatch):
    path = changed.original.path

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError) as raised:
        keep(changed)
    assert str(raised.value) == (
        f"{path}: cannot be written: the disk is full; make room, or name another place; "
        "the medium stays as it was.")
    assert path.read_bytes() == bytes(BLOCK)
    assert [p.name for p in path.parent.iterdir()] == ["card.img"]


def test_file_changed_meanwhile_is_left_alone(changed: Bay):
    path = changed.original.path
    path.write_bytes(b"z" * 2 * BLOCK)
    with pytest.raises(InputError, match="changed by another program"):
        keep(changed)
    assert path.read_bytes() == b"z" * 2 * BLOCK


def test_read_only_file_is_refused_before_the_run(changed: Bay, monkeypatch):
    monkeypatch.setattr(os, "access", lambda path, _: Path(path).is_dir())
    with pytest.raises(InputError) as raised:
        check_keep([changed])
    assert str(raised.value) == (
        f"{changed.original.path}: is read-only; make it writable (chmod u+w) or name another "
        f"medium.")


def test_image_sizes(tmp_path: Path):
    path = tmp_path / "a.img"
    for geometry in FORMATS.values():
        path.write_bytes(bytes(geometry.size))
        assert open_floppy(path, None).geometry == geometry
    path.write_bytes(bytes(1000))
    with pytest.raises(InputError) as raised:
        open_floppy(path, None)
    assert str(raised.value) == (
        f"{path}: 1000 bytes fit no format: 360K (368640 bytes), 720K (737280 bytes), 1.2M "
        f"(1228800 bytes), 1.44M (1474560 bytes); make the image whole, or give the drive a "
        f"geometry.")
    with pytest.raises(InputError, match="is short: 1000 bytes, but 80 cylinders x 2 heads x 9 "
                                         "sectors of 512 bytes make 737280; make the image whole"):
        open_floppy(path, FORMATS["720K"])
    path.write_bytes(bytes(BLOCK + 1))
    with pytest.raises(InputError, match="513 bytes are no card image"):
        open_blocks(path)
    with pytest.raises(InputError, match="cannot be read: No such file"):
        open_blocks(tmp_path / "none.img")


def test_boot_without_media_keeps_nothing(preburn, roms):
    result = preburn("boot", roms / "tidewater" / "plain.toml", "--keep", "--limit", "0.1")
    assert result.returncode in (0, 1) and "kept" not in result.stdout
    assert load(roms / "tidewater" / "plain.toml").slots[0].media == {}
