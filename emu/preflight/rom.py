"""What can be told of the ROM images without running them: room, pages, fill."""
from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from emu.backplane.description import Description, SlotDescription
from emu.files.image import Image
from emu.isa.disassembler import disassemble
from emu.isa.opcodes import HALT
from emu.preflight.item import GO, NO_GO, NOTE, Item
from emu.romtools.chip import Chip
from emu.romtools.info import fills

HALT_BYTE, RESTART_BYTE, NOP_BYTE = HALT, 0xFF, 0x00
RESTART = 0x38


def checks(d: Description) -> Iterator[Item]:
    """Look at the image of each slot."""
    for slot in d.slots:
        image = slot.image
        size = slot.card.image_size(slot.settings)
        if image is not None and size:
            chip = Chip(image, size)
            yield _room(slot, chip)
            yield from _wraps(slot, image)
            yield from _fill(slot, chip)


def _room(slot: SlotDescription, chip: Chip) -> Item:
    used = chip.covered(0, chip.size)
    return Item(GO, f"{slot.name}: size", f"{chip.image.path.name} takes {used} of the chip's "
                f"{chip.size} bytes; it ends at {chip.spans[-1][1] - 1:X}h.")


def _wraps(slot: SlotDescription, image: Image) -> Iterator[Item]:
    for segment in image.segments:
        end = segment.virtual + len(segment.data)
        if image.kind == "elf" and segment.virtual < 0x10000 < end:
            yield Item(NO_GO, f"{slot.name}: pages", f"the bytes linked for "
                       f"{segment.virtual:04X}h reach beyond FFFFh; link them in two pages.")


def _fill(slot: SlotDescription, chip: Chip) -> Iterator[Item]:
    """Say what most of the unused room holds: long runs of one byte, as the chip is burned."""
    room: Counter[int] = Counter()
    for run in fills(chip):
        room[run["byte"]] += run["bytes"]
    if room:
        yield _judged(f"{slot.name}: fill", chip, room.most_common(1)[0][0])


def _judged(title: str, chip: Chip, byte: int) -> Item:
    if byte == HALT_BYTE:
        return Item(GO, title, "unused room holds 76h (HALT): a program gone astray stops there.")
    if byte == NOP_BYTE:
        return Item(NOTE, title, "unused room holds 00h (NOP): a program gone astray slides on to "
                    "whatever comes next; 76h (HALT) stops it where it went wrong.")
    if byte != RESTART_BYTE:
        return Item(NOTE, title, f"unused room holds {byte:02X}h; 76h (HALT) stops a program that "
                    f"has gone astray.")
    if not chip.covered(RESTART, RESTART + 1):
        return Item(NOTE, title, "unused room holds FFh, which is RST 38h, and nothing is placed "
                    "at 0038h: a program gone astray walks its stack through memory. Fill with "
                    "76h (preburn image pack --fill 0x76), or put a reporter at 0038h.")
    text = disassemble(lambda at: chip.data[at % chip.size], RESTART,
                       chip.image.symbols.name_at).text
    return Item(NOTE, title, f"unused room holds FFh, which is RST 38h: a program gone astray "
                f"comes to 0038h ({text}); let that report or halt, or fill with 76h.")
