"""Risks of a run that are worth a look even when the boot reached its end."""
from __future__ import annotations

from typing import Any

from emu.bus.state import CHAINED_INTERRUPT
from emu.diagnosis.evidence.sources import ticking
from emu.diagnosis.evidence.virgin import noise_fetch
from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.run.session import Session


def unclaimed_ports(machine: Machine) -> list[dict[str, Any]]:
    """List the ports that were used and that no card decodes."""
    m = machine.m
    out = []
    for port in range(256):
        reads, writes = int(m.port_reads[port]), int(m.port_writes[port])
        if int(m.port_slot[port]) == -1 and (reads or writes):
            out.append({"port": f"{port:02X}", "reads": reads, "writes": writes})
    return out


def risks(session: Session) -> list[str]:
    """List the risks, most telling first."""
    machine = session.machine
    m = machine.m
    names = Names(machine)
    out = []
    written = [p for p in unclaimed_ports(machine) if p["writes"]]
    if written:
        out.append("writes to ports where no card stands: "
                   + ", ".join(f"{p['port']}h ({p['writes']})" for p in written) + ".")
    read = [p for p in unclaimed_ports(machine) if p["reads"]]
    if read:
        out.append("reads of ports where no card stands: "
                   + ", ".join(f"{p['port']}h ({p['reads']})" for p in read) + ".")
    if (int(m.iff1) or int(m.ack_count)) and not ticking(machine):
        out.append("no card gives a steady tick: whatever sleeps on one sleeps for ever.")
    if int(m.ack_empty):
        out.append(f"{int(m.ack_empty)} interrupt acknowledges that no card answered, the last "
                   f"at {names.at(int(m.ack_empty_pc))}.")
    serving = [slot.name for k, slot in enumerate(machine.slots)
               if int(m.int_kind[k]) == CHAINED_INTERRUPT
               and int(m.int_count[k]) > int(m.reti_count[k]) + int(m.ius[k]).bit_count()]
    if serving:
        out.append(f"interrupts without RETI: {', '.join(serving)}.")
    out += [f"{slot.name}: {words}." for slot in machine.slots
            for words in slot.card.risks(m, slot.state)]
    if int(m.conflicts):
        out.append(f"{int(m.conflicts)} reads that two cards drove at once.")
    if int(m.rom_writes):
        out.append(f"{int(m.rom_writes)} writes to ROM, the last to "
                   f"{names.data(int(m.rom_write_at))} before {names.at(int(m.rom_write_pc))}.")
    if int(m.empty_reads):
        out.append(f"{int(m.empty_reads)} reads of addresses where no memory stands, the last "
                   f"at {int(m.empty_read_at):04X}h.")
    if int(m.empty_writes):
        out.append(f"{int(m.empty_writes)} writes to addresses where no memory stands.")
    noise = noise_fetch(session)
    if noise is not None:
        t, address = noise
        out.append(f"instructions fetched from RAM that nobody has filled, the first at "
                   f"{address:04X}h after {float(machine.seconds(t)):.6g} s: it runs on what "
                   f"power-on left there.")
    if int(m.rst38_count):
        out.append(f"FFh (RST 38h) was executed {int(m.rst38_count)} times.")
    return out
