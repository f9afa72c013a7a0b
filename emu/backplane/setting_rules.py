"""Rules of the wiring check on how settings are written: a forgotten 0x, a jumper that counts for
nothing, a clock at the wrong channel."""
from __future__ import annotations

from collections.abc import Iterator

from emu.backplane.description import Description, SlotDescription
from emu.backplane.finding import NOTE, WARNING, Finding
from emu.backplane.written_numbers import WrittenNumber, written_numbers

IO = (0xD3, 0xDB)  # OUT (n),A and IN A,(n)
TO_C = 0x0E  # LD C,n
PAGE = 256  # bytes: chips and windows begin at whole ones
SPACED = ("-start", "-size")  # ends of the names of jumpers that hold addresses


def _uses(d: Description, port: int) -> int:
    """Count the bytes in the images that look like an access of a port."""
    patterns = [bytes((opcode, port)) for opcode in (*IO, TO_C)]
    return sum(segment.data.count(pattern) for slot in d.slots for image in slot.images.values()
               for segment in image.segments for pattern in patterns)


def forgotten_prefix(d: Description) -> Iterator[Finding]:
    """Find ports and addresses in decimal that look as if they were meant in hex."""
    found = written_numbers(d.path)
    slots = {slot.name: slot for slot in d.slots}
    mixed = any(n.port and n.text[:2].lower() == "0x" for n in found)
    for number in found:
        if number.slot not in slots or not number.text.isdigit() or int(number.text) < 10:
            continue
        if number.port:
            yield from _decimal_port(d, slots[number.slot], number, mixed)
        elif number.key.endswith(SPACED) and int(number.text) % PAGE and \
                int(number.text, 16) % PAGE == 0:
            yield Finding(
                WARNING, "decimal-address", number.slot, number.key,
                f"{number.key} = {number.text} of {number.slot} is {int(number.text):X}h, where "
                f"no chip begins or ends.", f"Write 0x{number.text} if {number.text}h is meant.")


def _decimal_port(d: Description, slot: SlotDescription, number: WrittenNumber,
                  mixed: bool) -> Iterator[Finding]:
    """Judge a port in decimal by what the images do, else by how the others are written."""
    value, meant = int(number.text), int(number.text, 16)
    rows = len({row.port for row in slot.ports}) if number.key == "base" else 1
    here = sum(_uses(d, port) for port in range(value, min(value + rows, 0x100)))
    there = sum(_uses(d, port) for port in range(meant, min(meant + rows, 0x100)))
    if here >= max(there, 1):
        return
    because = (f", and the program uses the ports from {meant:02X}h on" if there else
               ", and the other ports are written in hex" if mixed else "")
    yield Finding(
        WARNING if because else NOTE, "decimal-port", slot.name, number.key,
        f"{number.key} = {number.text} of {slot.name} is port {value:02X}h{because}.",
        f"Write 0x{number.text} if {number.text}h is meant.")


def idle_jumpers(d: Description) -> Iterator[Finding]:
    """Find jumpers that count for nothing, because of another one that is not set as they need."""
    for slot in d.slots:
        for jumper in slot.card.jumpers:
            if jumper.counts_with is None or jumper.name not in slot.given or \
                    slot.settings[jumper.name] == jumper.default:
                continue
            other, values = jumper.counts_with
            if slot.settings[other] not in values:
                how = "is" if other in slot.given else "is not set, so it is"
                yield Finding(
                    WARNING, "idle-jumper", slot.name, jumper.name,
                    f"{jumper.name} of {slot.name} counts for nothing: {other} {how} "
                    f"{slot.settings[other]!r}.",
                    f"Set {other} to {' or '.join(map(repr, values))}, or leave {jumper.name} out.")


def crossed_channels(d: Description) -> Iterator[Finding]:
    """Find a clock set at one channel and the terminal at another, which keeps its default."""
    for slot in d.slots:
        clocked, used = (
            [c for c in slot.card.channels if f"{kind}-{c}" in slot.given]
            for kind in ("clock", "terminal"))
        wired = [c for c in slot.card.channels for wire in d.wires if wire.target == slot.name
                 and slot.card.inputs[wire.input] == f"clock-{c}"]
        lone = [c for c in used if c not in clocked and c not in wired]
        idle = [c for c in clocked if c not in used]
        if lone and idle and not set(used) & set(clocked):
            yield Finding(
                WARNING, "crossed-channels", slot.name, f"clock-{idle[0]}",
                f"clock-{idle[0]} of {slot.name} is set, and terminal-{lone[0]}, but neither "
                f"clock-{lone[0]} nor terminal-{idle[0]}.",
                f"Is clock-{lone[0]} meant? Set both of one channel.")


def absent_sources(d: Description) -> Iterator[Finding]:
    """Find folders of sources that are not there."""
    for slot in d.slots:
        for folder in slot.sources:
            if not folder.is_dir():
                yield Finding(
                    WARNING, "no-sources", slot.name, "sources",
                    f"sources of {slot.name} names {folder}, and there is no such folder.",
                    "Name the folder where the source files are, from the backplane file's.")


SETTING_RULES = (forgotten_prefix, idle_jumpers, crossed_channels, absent_sources)
