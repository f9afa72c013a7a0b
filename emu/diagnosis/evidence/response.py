"""What the CPU did with an acknowledge: gone to 0038h, through a pointer, or run the vector."""
from __future__ import annotations

from emu.bus.state import ACK
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.bus_window import decode, forked
from emu.diagnosis.trials.forks import read_memory
from emu.isa.disassembler import disassemble
from emu.machine.machine import Machine


def response_words(case: Case, machine: Machine) -> str:
    """Say what the CPU does with the interrupt that ``machine`` is about to answer, in mode 0 or 1.

    As a clause with "the CPU" for its subject.
    """
    if int(machine.m.im) == 1:
        return f"the CPU went to 0038h ({case.names.at(0x38)})"
    pc = int(machine.m.pc)
    with forked(machine):
        machine.log(True)
        machine.run(int(machine.m.t) + 1)
        window = decode(machine)
        came = window.where(ACK)
        vector = int(window.data[came[-1]]) if len(came) else 0xFF
        to = int(machine.m.pc)
    memory = read_memory(machine, pc)  # both operand bytes are read where PC stands
    one = disassemble(lambda at: vector if at == pc else memory, pc, standing=True)
    where = ("went on where it was" if to == pc else
             f"went on at {case.names.at(to)}")
    return f"the CPU ran the byte {vector:02X}h from the bus as {one.text} and {where}"
