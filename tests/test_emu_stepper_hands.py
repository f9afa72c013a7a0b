"""What hands do to cards while they run: media, jumpers, ports; each can be undone and replayed.

That the disk's files appear is Tidewater's doing (roms/tidewater/diskcmd.s); wait states count
as UM0080 p.9 has them.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from cpu_machine import Bare
from stepper_bench import sit, state, stop

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.run.inputs import Input
from emu.stepper.sitting import Sitting, Spot
from peripherals import z80_cpu

TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater"


def typed(sitting: Sitting, keys: bytes) -> bytes:
    """Type at the console and run to the next prompt; what was shown meanwhile."""
    before = len(sitting.console.channels["sio.a"].text)
    sitting.change("typed", "sio.a", keys)
    sitting.until(stop(sitting, 'text "tw> "'))
    return bytes(sitting.console.channels["sio.a"].text[before:])


def test_a_disk_goes_in_and_out_and_back_in_time(
        preburn: Callable[..., object], tmp_path: Path) -> None:
    (tmp_path / "levels").write_text("3.00 m\n")
    disk = tmp_path / "disk.img"
    preburn("medium", "create", disk, "--geometry", "720K", "--files", "tidewater")
    preburn("medium", "import", disk, tmp_path / "levels")
    sitting = Sitting(Machine(load(TIDEWATER / "floppy.toml")))
    sitting.until(stop(sitting, 'text "tw> "'))
    sitting.change("medium", "floppy.drive-a", str(disk))
    assert b"attached: a Tidewater disk" in typed(sitting, b"disk attach\r")
    assert b"levels" in typed(sitting, b"disk list\r")
    with_disk = sitting.spot, state(sitting)
    sitting.change("medium", "floppy.drive-a", None)
    assert b"no disk in the drive" in typed(sitting, b"disk list\r")
    sitting.undo()
    sitting.undo()
    assert sitting.spot == with_disk[0] and state(sitting) == with_disk[1]
    sitting.jump(Spot(0, 0))
    sitting.go(with_disk[0].t)
    assert state(sitting) == with_disk[1]


def test_a_disk_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    (tmp_path / "odd.img").write_bytes(b"odd")
    sitting = Sitting(Machine(load(TIDEWATER / "floppy.toml")))
    with pytest.raises(InputError, match="odd.img"):
        sitting.change("medium", "floppy.drive-a", str(tmp_path / "odd.img"))
    assert sitting.history.inputs == []


def test_the_wait_generators_switches_turn_while_it_runs() -> None:
    sitting = sit("32 00 80 00 00 DB 00")
    for jumper, waits, lasts in (("wait-memory", 2, 13 + 3 * 2), ("wait-m1", 1, 4 + 1),
                                 ("wait-io", 3, 11 + 1 + 2 + 3)):
        sitting.change("jumper", f"cpu.{jumper}", waits)
        start = sitting.t
        sitting.into(2 if jumper == "wait-m1" else 1)
        assert sitting.t - start == lasts * (2 if jumper == "wait-m1" else 1), jumper
    assert set(z80_cpu.CARD.live) <= {j.name for j in z80_cpu.CARD.jumpers}


def test_every_live_jumper_is_a_declared_one() -> None:
    from emu.backplane.card_catalogue import cards

    for card in cards().values():
        assert set(card.live) <= {jumper.name for jumper in card.jumpers}, card.name


def test_write_protection_turns_flash_into_rom_and_back() -> None:
    sitting = Sitting(Machine(load(TIDEWATER / "full.toml")))
    sitting.until(stop(sitting, 'text "tw> "'))
    sitting.change("jumper", "memory.write-protect", True)
    sitting.add(stop(sitting, "rom-write"))
    sitting.change("register", "pc", 0xE800)
    sitting.change("memory", str(sitting.book.place(0xE800)), bytes.fromhex("32 00 00"))
    event = sitting.go(sitting.t + 1000)
    assert event.words == "stop 1: write to ROM at reset (0000h): 04h"
    sitting.undo()
    sitting.undo()
    sitting.undo()
    assert not sitting.machine.slot("memory").state.is_rom


def test_ports_are_written_and_read_as_the_cpu_would() -> None:
    sitting = Sitting(Machine(load(TIDEWATER / "full.toml")))
    sitting.change("out", "80", 0x12)  # page register 0
    assert int(sitting.machine.slot("memory").state.page[0]) == 0x12 and sitting.t == 4
    sitting.change("in", "33", None)
    assert int(sitting.m.port_reads[33]) == 1
    assert sitting.last_write(0) is None


def test_a_card_that_does_not_interrupt_any_more() -> None:
    sitting = Sitting(Machine(load(TIDEWATER / "full.toml")))
    sitting.until(stop(sitting, 'text "tw> "'))
    sitting.change("jumper", "ctc.interrupt", False)
    assert sitting.go(sitting.t + 10**6, [stop(sitting, "acknowledge 10h")]).reason == "time"
    sitting.undo()
    assert sitting.go(sitting.t + 10**6, [stop(sitting, "acknowledge 10h")]).reason == "stop"


def test_inputs_go_through_a_file_and_give_the_same_run() -> None:
    sitting = sit("21 00 80  34  18 FD")
    sitting.into(5)
    sitting.change("register", "hl", 0x8100)
    sitting.change("line", "int", 1)
    sitting.change("line", "int", 0, after=30)
    sitting.go(sitting.t + 200)
    told = [i.as_dict() for i in sitting.history.inputs]
    other = Sitting(Bare("21 00 80  34  18 FD", sp=0x9000).machine)
    other.load(Input.from_dict(one) for one in told)
    other.go(sitting.t)
    assert state(other) == state(sitting)
    assert Input.from_dict(Input(5, "typed", "a", b"\xff\r").as_dict()).value == b"\xff\r"
    for bad in ({}, {"t": 1, "kind": "magic", "where": "a"}, {"t": "1", "kind": "line",
                                                               "where": "int"}):
        with pytest.raises(InputError, match="no input of a run"):
            Input.from_dict(bad)


@pytest.mark.parametrize("fault", ["nmi-noise,every=0.0005", "slow-memory,access=150,spread=90",
                                   "int-low", "busreq-held"])
def test_a_faulty_machine_is_gone_back_through_as_exactly(fault: str) -> None:
    sitting = Sitting(Machine(load(TIDEWATER / "full.toml", (fault,))))
    sitting.add(stop(sitting, "con_putc"))
    sitting.go(60_000)
    sitting.change("line", "int", 1)
    sitting.change("line", "int", 0, after=50)
    met = []
    for _ in range(12):
        sitting.into(30)
        met.append((sitting.spot, state(sitting)))
    for spot, was in reversed(met):
        sitting.jump(spot)
        assert sitting.spot == spot and state(sitting) == was
    sitting.jump(Spot(0, 0))
    sitting.stops.clear()
    sitting.go(met[-1][0].t)
    assert sitting.spot == met[-1][0] and state(sitting) == met[-1][1]
    assert int(sitting.m.int_held) == int(fault == "int-low")


def test_what_is_typed_ahead_has_its_limit() -> None:
    sitting = Sitting(Machine(load(TIDEWATER / "full.toml")))
    with pytest.raises(InputError, match="characters typed ahead; type less at a time"):
        sitting.change("typed", "sio.a", b"x" * 5000)
    assert sitting.history.inputs == [] and replace(Input(0, "line", "int", 1), t=4).t == 4
