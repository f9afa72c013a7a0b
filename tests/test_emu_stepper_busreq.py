"""The stepper at a machine whose bus is away: inside an instruction, forwards, back, changed."""
from __future__ import annotations

from dma_bench import DmaBench, block
from stepper_bench import state

from emu.machine.machine import Machine
from emu.stepper.cursor import Cursor
from emu.stepper.show import registers
from emu.stepper.stepper import Stepper
from emu.stepper.views import code

MEMORY = {0x9000: bytes(range(1, 17))}


def machine(mode: int) -> Machine:
    """A block of 16 bytes; the CPU's next instruction is LD A,(8000h)."""
    return DmaBench(block(mode), memory=MEMORY, then="3A 00 80 18 FE").machine


def away(mode: int = 2) -> Stepper:
    """Sit where the bus is away behind the first fetch of LD A,(8000h)."""
    stepper = Stepper(machine(mode))
    while not int(stepper.m.bus_owner):
        stepper.into()
    return stepper


def test_it_stands_between_two_cycles_with_the_cpu_as_it_was() -> None:
    stepper = away()
    assert int(stepper.m.resume) == 1
    assert [line.code.text for line in code(stepper, int(stepper.m.pc), 1)] == ["ld a,(0x8000)"]
    assert "dma has the bus" in registers(stepper, {})[-1]


def test_t_state_by_t_state_through_a_byte() -> None:
    """Two T-states without a cycle, then read and write of three each."""
    cursor = Cursor(away())
    found = []
    for _ in range(8):
        found.append(cursor.moment())
        cursor.tick()
    assert [m.kind for m in found] == ["bus-given"] * 2 + ["dma-read"] * 3 + ["dma-write"] * 3
    assert [m.name for m in found[2:]] == ["T1", "T2", "T3"] * 2
    assert all({"/BUSREQ", "/BUSACK"} <= set(m.low) for m in found)
    assert found[4].data == 1 and found[7].driver == "dma"


def test_steps_back_give_every_state_again() -> None:
    for mode in (0, 2):
        stepper = away(mode)
        states = []
        for _ in range(12):
            states.append(state(stepper))
            stepper.into()
        for before in reversed(states):
            stepper.back()
            assert state(stepper) == before


def test_a_changed_register_lets_the_instruction_begin_anew() -> None:
    stepper = away()
    stepper.change("register", "hl", 0x1234)
    while int(stepper.m.bus_owner):
        stepper.into()
    stepper.into()
    assert int(stepper.m.r[4]) == 0x12
    assert int(stepper.m.r[7]) == 0x7C | 1  # the first control byte: the load was made
