"""Risks of a run that are worth a look even when the boot reached its end."""
from __future__ import annotations

from typing import Any

from emu.bus.state import CHAINED_INTERRUPT
from emu.card.number_words import counted, set_words, time_words
from emu.diagnosis.evidence.sources import ticking
from emu.diagnosis.evidence.virgin import noise_fetch
from emu.diagnosis.verdict import Verdict
from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.run.session import Session

SAYS_SO = ("no-tick", "timer-stopped")  # causes that say what a missing tick does


def unclaimed_ports(machine: Machine) -> list[dict[str, Any]]:
    """List the ports that were used and that no card decodes."""
    m = machine.m
    out = []
    for port in range(256):
        reads, writes = int(m.port_reads[port]), int(m.port_writes[port])
        if int(m.port_slot[port]) == -1 and (reads or writes):
            out.append({"port": f"{port:02X}", "reads": reads, "writes": writes})
    return out


def risks(session: Session, verdict: Verdict) -> list[str]:
    """List the risks that bear on the program, most telling first.

    What the verdict says already is left out.
    """
    machine = session.machine
    m = machine.m
    names = Names(machine)
    ports = unclaimed_ports(machine)
    said = " ".join(verdict.evidence)
    known = [p for p in ports if f"ort {p['port']}h, where no card stands" not in said]
    out = [f"{what} ports where no card stands: {_by_count(known, key)}."
           for what, key in (("writes to", "writes"), ("reads of", "reads"))
           if any(p[key] for p in known)]
    waits = int(m.halted) or any(p["writes"] for p in ports)  # a program that polls needs none
    if (waits and (int(m.iff1) or int(m.ack_count)) and not ticking(machine)
            and verdict.cause not in SAYS_SO):
        out.append("no card gives a steady tick: whatever sleeps on one sleeps for ever.")
    if int(m.ack_empty):
        out.append(f"{counted(int(m.ack_empty), 'interrupt acknowledge')} that no card answered, "
                   f"the last at {names.at(int(m.ack_empty_pc))}.")
    serving = [slot.name for k, slot in enumerate(machine.slots)
               if int(m.int_kind[k]) == CHAINED_INTERRUPT and not slot.card.service_end
               and int(m.int_count[k]) > int(m.reti_count[k]) + int(m.ius[k]).bit_count()]
    if serving:
        out.append(f"interrupts without RETI: {', '.join(serving)}.")
    out += [f"{slot.name}: {words}." for slot in machine.slots
            for words in slot.card.risks(m, slot.state)]
    if int(m.conflicts):
        out.append(f"{counted(int(m.conflicts), 'read')} that two cards drove at once.")
    if int(m.rom_writes):
        out.append(f"{counted(int(m.rom_writes), 'write')} to ROM, the last to "
                   f"{names.data(int(m.rom_write_at))} before {names.at(int(m.rom_write_pc))}.")
    if int(m.empty_reads):
        out.append(f"{counted(int(m.empty_reads), 'read')} of addresses where no memory stands, "
                   f"the last at {int(m.empty_read_at):04X}h.")
    if int(m.empty_writes):
        out.append(f"{counted(int(m.empty_writes), 'write')} to addresses where no memory stands.")
    noise = noise_fetch(session)
    if noise is not None:
        t, address = noise
        out.append(f"instructions fetched from RAM that nobody has filled, the first at "
                   f"{address:04X}h after {time_words(float(machine.seconds(t)))}: it runs on what "
                   f"power-on left there.")
    if int(m.rst38_count):
        out.append(f"FFh (RST 38h) was executed {counted(int(m.rst38_count), 'time')}.")
    return out


def _by_count(ports: list[dict[str, Any]], key: str) -> str:
    """Give ports as sets, those used equally often together: "28h (3), {67h, 74h} (1 each)"."""
    often: dict[int, list[int]] = {}
    for port in ports:
        if port[key]:
            often.setdefault(port[key], []).append(int(port["port"], 16))
    return ", ".join(f"{set_words(those)} ({count}{' each' * (len(those) > 1)})"
                     for count, those in sorted(often.items(), reverse=True))
