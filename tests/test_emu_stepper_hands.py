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
from emu.stepper.stepper import Spot, Stepper
from peripherals import z80_cpu

TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater"


def typed(stepper: Stepper, keys: bytes) -> bytes:
    """Type at the console and run to the next prompt; what was shown meanwhile."""
    before = len(stepper.console.channels["sio.a"].text)
    stepper.change("typed", "sio.a", keys)
    stepper.until(stop(stepper, 'text "tw> "'))
    return bytes(stepper.console.channels["sio.a"].text[before:])


def test_a_disk_goes_in_and_out_and_back_in_time(
        preburn: Callable[..., object], tmp_path: Path) -> None:
    (tmp_path / "levels").write_text("3.00 m\n")
    disk = tmp_path / "disk.img"
    preburn("medium", "create", disk, "--geometry", "720K", "--files", "tidewater")
    preburn("medium", "import", disk, tmp_path / "levels")
    stepper = Stepper(Machine(load(TIDEWATER / "floppy.toml")))
    stepper.until(stop(stepper, 'text "tw> "'))
    stepper.change("medium", "floppy.drive-a", str(disk))
    assert b"attached: a Tidewater disk" in typed(stepper, b"disk attach\r")
    assert b"levels" in typed(stepper, b"disk list\r")
    with_disk = stepper.spot, state(stepper)
    stepper.change("medium", "floppy.drive-a", None)
    assert b"no disk in the drive" in typed(stepper, b"disk list\r")
    stepper.undo()
    stepper.undo()
    assert stepper.spot == with_disk[0] and state(stepper) == with_disk[1]
    stepper.jump(Spot(0, 0))
    stepper.go(with_disk[0].t)
    assert state(stepper) == with_disk[1]


def test_a_disk_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    (tmp_path / "odd.img").write_bytes(b"odd")
    stepper = Stepper(Machine(load(TIDEWATER / "floppy.toml")))
    with pytest.raises(InputError, match="odd.img"):
        stepper.change("medium", "floppy.drive-a", str(tmp_path / "odd.img"))
    assert stepper.history.inputs == []


def test_the_wait_generators_switches_turn_while_it_runs() -> None:
    stepper = sit("32 00 80 00 00 DB 00")
    for jumper, waits, lasts in (("wait-memory", 2, 13 + 3 * 2), ("wait-m1", 1, 4 + 1),
                                 ("wait-io", 3, 11 + 1 + 2 + 3)):
        stepper.change("jumper", f"cpu.{jumper}", waits)
        start = stepper.t
        stepper.into(2 if jumper == "wait-m1" else 1)
        assert stepper.t - start == lasts * (2 if jumper == "wait-m1" else 1), jumper
    assert set(z80_cpu.CARD.live) <= {j.name for j in z80_cpu.CARD.jumpers}


def test_every_live_jumper_is_a_declared_one() -> None:
    from emu.backplane.card_catalogue import cards

    for card in cards().values():
        assert set(card.live) <= {jumper.name for jumper in card.jumpers}, card.name


def test_write_protection_turns_flash_into_rom_and_back() -> None:
    stepper = Stepper(Machine(load(TIDEWATER / "full.toml")))
    stepper.until(stop(stepper, 'text "tw> "'))
    stepper.change("jumper", "memory.write-protect", True)
    stepper.add(stop(stepper, "rom-write"))
    stepper.change("register", "pc", 0xE800)
    stepper.change("memory", str(stepper.book.place(0xE800)), bytes.fromhex("32 00 00"))
    event = stepper.go(stepper.t + 1000)
    assert event.words == "stop 1: write to ROM at reset (0000h): 04h"
    stepper.undo()
    stepper.undo()
    stepper.undo()
    assert not stepper.machine.slot("memory").state.is_rom


def test_ports_are_written_and_read_as_the_cpu_would() -> None:
    stepper = Stepper(Machine(load(TIDEWATER / "full.toml")))
    stepper.change("out", "80", 0x12)  # page register 0
    assert int(stepper.machine.slot("memory").state.page[0]) == 0x12 and stepper.t == 4
    stepper.change("in", "33", None)
    assert int(stepper.m.port_reads[33]) == 1
    assert stepper.last_write(0) is None


def test_a_card_that_does_not_interrupt_any_more() -> None:
    stepper = Stepper(Machine(load(TIDEWATER / "full.toml")))
    stepper.until(stop(stepper, 'text "tw> "'))
    stepper.change("jumper", "ctc.interrupt", False)
    assert stepper.go(stepper.t + 10**6, [stop(stepper, "acknowledge 10h")]).reason == "time"
    stepper.undo()
    assert stepper.go(stepper.t + 10**6, [stop(stepper, "acknowledge 10h")]).reason == "stop"


def test_inputs_go_through_a_file_and_give_the_same_run() -> None:
    stepper = sit("21 00 80  34  18 FD")
    stepper.into(5)
    stepper.change("register", "hl", 0x8100)
    stepper.change("line", "int", 1)
    stepper.change("line", "int", 0, after=30)
    stepper.go(stepper.t + 200)
    told = [i.as_dict() for i in stepper.history.inputs]
    other = Stepper(Bare("21 00 80  34  18 FD", sp=0x9000).machine)
    other.load(Input.from_dict(one) for one in told)
    other.go(stepper.t)
    assert state(other) == state(stepper)
    assert Input.from_dict(Input(5, "typed", "a", b"\xff\r").as_dict()).value == b"\xff\r"
    for bad in ({}, {"t": 1, "kind": "magic", "where": "a"}, {"t": "1", "kind": "line",
                                                               "where": "int"}):
        with pytest.raises(InputError, match="no input of a run"):
            Input.from_dict(bad)


@pytest.mark.parametrize("fault", ["nmi-noise,every=0.0005", "slow-memory,access=150,spread=90",
                                   "int-low", "busreq-held"])
def test_a_faulty_machine_is_gone_back_through_as_exactly(fault: str) -> None:
    stepper = Stepper(Machine(load(TIDEWATER / "full.toml", (fault,))))
    stepper.add(stop(stepper, "con_putc"))
    stepper.go(60_000)
    stepper.change("line", "int", 1)
    stepper.change("line", "int", 0, after=50)
    met = []
    for _ in range(12):
        stepper.into(30)
        met.append((stepper.spot, state(stepper)))
    for spot, was in reversed(met):
        stepper.jump(spot)
        assert stepper.spot == spot and state(stepper) == was
    stepper.jump(Spot(0, 0))
    stepper.stops.clear()
    stepper.go(met[-1][0].t)
    assert stepper.spot == met[-1][0] and state(stepper) == met[-1][1]
    assert int(stepper.m.int_held) == int(fault == "int-low")


def test_what_is_typed_ahead_has_its_limit() -> None:
    stepper = Stepper(Machine(load(TIDEWATER / "full.toml")))
    with pytest.raises(InputError, match="characters typed ahead; type less at a time"):
        stepper.change("typed", "sio.a", b"x" * 5000)
    assert stepper.history.inputs == [] and replace(Input(0, "line", "int", 1), t=4).t == 4
