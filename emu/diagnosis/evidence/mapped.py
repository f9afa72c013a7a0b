"""What decides which memory stands at an address: registers, and writes that went nowhere."""
from __future__ import annotations

from emu.card.roles import CONTROL, PAGE
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.silent_ports import silent_ports, written_words

MOST = 3  # silent ports that are told


def mapped_words(case: Case, address: int) -> list[str]:
    """Say which registers pick the memory at an address, and how often they were written."""
    m, out = case.m, []
    for slot in case.machine.slots:
        windows = [w for w in slot.card.windows(m, slot.state)
                   if w.start <= address < w.start + w.size]
        out += [f"In the window at {w.start:04X}h {slot.name} shows page {w.page:02X}h, as "
                f"register {w.register} says." for w in windows]
        shown = {window.register for window in windows}
        for row in case.machine.description.slots[slot.number].ports:
            register, port = slot.card.registers[row.register], row.port & 0xFF
            if slot.card.has_kind(register, PAGE) and (
                    register in shown or slot.card.has_kind(register, CONTROL)):
                times = int(m.port_writes[port])
                out.append(f"Port {port:02X}h ({register} of {slot.name}), which switches memory, "
                           + (f"was written {times} times." if times else "was never written."))
    return out + [written_words(case, silent) for silent in silent_ports(case)[:MOST]]
