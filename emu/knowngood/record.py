"""Make a known-good record of a session that has run.

A record is a tree of tables, lists, texts and whole numbers, so that it is the same on
every machine and every Python; emu/knowngood/recordfile.py writes and reads it.
"""
from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from fractions import Fraction
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from emu.backplane.description import Description, SlotDescription
from emu.bus.state import ACK, HALTED, NMI_FETCH, NO_INTERRUPT
from emu.knowngood import busdigest
from emu.knowngood.metered import PAGE, MeteredMachine, hexed, short_digest
from emu.machine.machine import Slot
from emu.media.bay import Original
from emu.run.session import Session

VERSION = 1
FILES = ("file", "files", "medium")  # kinds of jumper that name files
Tree = dict[str, Any]


def made_with() -> str:
    """Give preburn's version, for the reader of a record."""
    try:
        return version("preburn")
    except PackageNotFoundError:
        return "not installed"


def record(session: Session, verdict: str = "", names: Mapping[int, str] | None = None) -> Tree:
    """Keep what a session's run did; its machine must be a MeteredMachine.

    ``verdict`` is how it ended, "reached" say; ``names`` the names of the machine's marks
    by their number.  Digesting ends here.
    """
    machine = session.machine
    if not isinstance(machine, MeteredMachine):
        raise TypeError("only a run of a MeteredMachine can be recorded")
    machine.finish()
    return {
        "version": VERSION, "preburn": made_with(),
        "machine": machine_table(machine.description, machine.seed),
        "images": images_table(machine.description),
        "media": media_table(machine.description),
        "boot": {**boot_table(session), "places": list(dict.fromkeys((names or {}).values()))},
        "end": {"verdict": verdict, "t": int(machine.m.t)},
        "milestones": [list(row) for row in milestones(session, machine, names or {})],
        "console": {name: _channel(bytes(channel.text), list(channel.times))
                    for name, channel in session.console.channels.items()},
        "interrupts": interrupts_table(machine),
        "ports": ports_table(machine),
        "memory": memory_table(machine),
        "bus": bus_table(machine),
    }


def machine_table(description: Description, seed: int) -> Tree:
    """Say what the machine was built of, without the paths of files."""
    out: Tree = {
        "name": description.name, "seed": seed, "floating": description.floating,
        "chain": None if description.chain is None else list(description.chain),
        "wires": [f"{w.source}.{w.output} > {w.target}.{w.input}" for w in description.wires],
        "slots": {slot.name: _settings(slot) for slot in description.slots},
    }
    if description.faults:
        out["faults"] = [str(fault) for fault in description.faults]
    return out


def _settings(slot: SlotDescription) -> Tree:
    """Give a slot's card and the settings that are not its defaults."""
    out: Tree = {"card": slot.card.name}
    if slot.ports:
        out["ports"] = " ".join(f"{row.port:02X}/{row.mask:02X}:{row.register}"
                                for row in slot.ports)
    for what in ("waits_io", "waits_mem", "waits_m1"):
        if getattr(slot, what):
            out[what.replace("_", "-")] = getattr(slot, what)
    for jumper in slot.card.jumpers:
        value = slot.settings[jumper.name]
        if jumper.kind not in FILES and value != jumper.default:
            out[jumper.name] = _plain(value)
    return out


def _plain(value: Any) -> Any:
    """Turn a setting into what a text file can hold; of a drive's disk only its name."""
    if isinstance(value, Mapping):
        return {str(k): Path(v).name if k == "medium" and v else _plain(v)
                for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, bool | int | str) or value is None:
        return value
    return str(value)


def images_table(description: Description) -> Tree:
    """Name the images and give their SHA-256."""
    return {slot.name if name == slot.card.chip else f"{slot.name}.{name}":
            {"file": Path(image.path).name, "sha256": image.digest}
            for slot in description.slots for name, image in slot.images.items()}


def media_table(description: Description) -> Tree:
    """Name what stands in the drives and sockets and give its SHA-256, "blank" for an
    unformatted disk."""
    return {f"{slot.name}.{name}": {"file": Path(original.path).name if original.path else "",
                                    "sha256": _medium_digest(original)}
            for slot in description.slots for name, original in slot.media.items()
            if original is not None}


def _medium_digest(original: Original) -> str:
    if original.tracks is None and not original.formatted:
        return "blank"
    data = original.data
    if original.tracks is not None and original.path is not None:
        data = original.path.read_bytes()
    return hashlib.sha256(bytes(data)).hexdigest()


def _written(machine: MeteredMachine) -> Tree:
    """Digest what was written on each medium, by number of track or block."""
    machine.flush()
    return {name: {"power-on": "" if bay.original is None else _medium_digest(bay.original)[:16],
                   "changed": {str(number): short_digest(_octets(piece))
                               for number, piece in sorted(bay.pieces.items())}}
            for name, bay in machine.bays.items()}


def _octets(piece: Any) -> bytes:
    """Give the bytes of a block, or of a track with its marks."""
    return bytes(piece) if isinstance(piece, bytes) else bytes(piece.data) + bytes(piece.marks)


def boot_table(session: Session) -> Tree:
    """Keep what was asked of the run, so that it can be asked again."""
    return {
        "until": session.until, "limit": str(Fraction(session.limit)),
        "steps": [[step.kind, step.text.decode("latin-1"), str(step.seconds)]
                  for step in session.asked],
    }


def milestones(session: Session, machine: MeteredMachine,
               names: Mapping[int, str]) -> Iterator[tuple[str, int]]:
    """List what happened first, and when: the order is that of time."""
    found = [(name, int(machine.d.mark[k, 3])) for k, name in names.items()
             if int(machine.d.mark[k, 3]) >= 0]
    for channel in session.console.channels.values():
        if channel.times:
            found.append((f"first character on {channel.name}", channel.times[0]))
    for kind, name in ((ACK, "first interrupt acknowledge"), (NMI_FETCH, "first NMI"),
                       (HALTED, "first HALT")):
        if int(machine.d.count[kind]):
            found.append((name, int(machine.d.first[kind])))
    for name, text, t in session.met:
        found.append((f"{text.decode('latin-1')!r} on {name}", t))
    if session.reached:
        found.append((f"until {session.until!r}", session.reached_t))
    return iter(sorted(found, key=lambda row: row[1]))


def _channel(text: bytes, times: list[int]) -> Tree:
    """Give a terminal's text, line by line with the time of each line's first character."""
    rows, at = [], 0
    for line in text.splitlines(keepends=True):
        rows.append([times[at], line.decode("latin-1")])
        at += len(line)
    return {"lines": rows, "times": short_digest(" ".join(map(str, times)).encode())}


def console_text(channel: Tree) -> str:
    """Join the lines of a recorded channel again."""
    return "".join(line for _, line in channel["lines"])


def interrupts_table(machine: MeteredMachine) -> Tree:
    """Count the interrupts of each card that can ask for one, and of the CPU."""
    m = machine.m
    return {
        "acknowledges": int(m.ack_count), "unanswered": int(m.ack_empty),
        "nmi": int(m.nmi_count),
        "cards": {slot.name: {"accepted": int(m.int_count[slot.number]),
                              "returned": int(m.reti_count[slot.number])}
                  for slot in machine.slots if int(m.int_kind[slot.number]) != NO_INTERRUPT},
        "vectors": {f"{vector:02X}": int(count) for vector, count in enumerate(m.vector_count)
                    if count},
    }


def ports_table(machine: MeteredMachine) -> Tree:
    """Give the traffic of each port that was used, under the card that decodes it.

    A row is (port, reads, writes, digest of the bytes in their order).
    """
    out: Tree = {}
    for port in range(256):
        reads, writes = int(machine.m.port_reads[port]), int(machine.m.port_writes[port])
        if reads or writes:
            name = _port_owner(machine, port)
            out.setdefault(name, []).append(
                [f"{port:02X}", reads, writes, f"{int(machine.d.port[port]) % busdigest.P:08x}"])
    return out


def _port_owner(machine: MeteredMachine, port: int) -> str:
    number = int(machine.m.port_slot[port])
    slots: list[Slot] = machine.slots
    return slots[number].name if number >= 0 else "several" if number == -2 else "nobody"


def memory_table(machine: MeteredMachine) -> Tree:
    """Digest each slot's memory and media: as they were at power-on, and the pages, tracks or
    blocks that changed since."""
    out: Tree = {}
    for name, pages in machine.page_digests().items():
        before = machine.power_on[name]
        changed = {f"{number * PAGE:05X}": digest
                   for number, (digest, old) in enumerate(zip(pages, before, strict=True))
                   if digest != old}
        out[name] = {"power-on": short_digest("".join(before).encode()), "changed": changed}
    return {**out, **_written(machine)}


def bus_table(machine: MeteredMachine) -> Tree:
    """Give the digest of all bus cycles, and the checkpoints (cycles, T-state, digest)."""
    return {"cycles": int(machine.d.position), "digest": machine.bus_digest(),
            "checkpoints": checkpoint_rows(machine)}


def checkpoint_rows(machine: MeteredMachine) -> list[list[Any]]:
    """List the checkpoints noted so far: cycles, T-state of the last, digest."""
    return [[cycles, t, hexed(a, b)]
            for cycles, t, a, b in machine.d.row[:int(machine.d.rows)].tolist()]
