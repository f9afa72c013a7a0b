"""What an EEPROM in a memory card says of itself, and what goes wrong at it.

Plain Python over the card's record, which has the chip as ``eeprom`` and its jumper as ``is_rom``.
"""
from __future__ import annotations

from typing import Any

from peripherals import eeprom_28c
from peripherals.card import BUSY, HALTED_OFF, STUCK, Cause, Complaint, FlashChip, Trouble, roles

ENDED = (HALTED_OFF, STUCK, BUSY)
EEPROM_HASTY = Cause(
    "eeprom-hasty", "A write to an EEPROM that is storing the one before",
    "The first byte is right, the next ones keep what they had.",
    "A write pulse came behind the time in which a page is taken, within the write cycle: the chip "
    "ignores it; with that byte stored the program goes on.",
    "Wait for the end of each cycle (DQ7 or DQ6), and write a page in one go with interrupts off.",
    (), when=ENDED)
EEPROM_PROTECTED = Cause(
    "eeprom-protected", "An EEPROM with software protection, written without the prefix",
    "The store waits for a byte that never reads back.",
    "The chip was busy for a cycle and stored nothing: its protection is on, and no AAh, 55h, A0h "
    "came before; with the bytes stored the program goes on.",
    "Send the prefix before each page, or switch the protection off once.", (), when=ENDED)
EEPROM_CROSSED = Cause(
    "eeprom-page-crossed", "A page write to an EEPROM that runs over the end of its page",
    "A block is stored, and parts of it stand 64 bytes off.",
    "Address bits above A5 changed within one load: all bytes go to one page; with each where it "
    "was written the program goes on.",
    "Split what is written where A6 changes, and wait for the cycle there.", (), when=ENDED)
CAUSES = (EEPROM_HASTY, EEPROM_PROTECTED, EEPROM_CROSSED)


def role(_: Any, s: Any) -> FlashChip | None:
    """Give the chip as a card tells of it, None for a ROM in its place."""
    return FlashChip(not s.is_rom, int(s.eeprom.cycles)) if s.eeprom.length else None


def complaints(m: Any, s: Any) -> list[Complaint]:
    """Give a chip that loads or stores now."""
    busy = s.eeprom.active and eeprom_28c.ends(s.eeprom) > m.t
    return [Complaint(roles.FLASH_BUSY)] if busy else []


def _pages(e: Any) -> str:
    return f"a page of {int(e.page)} bytes" if e.page > 1 else "a byte"


def _stored(m: Any, s: Any) -> None:
    """Store what was not stored, and let what follows be."""
    e = s.eeprom
    for k in range(min(int(e.keeps), len(e.kept))):
        eeprom_28c.store(m, e, int(e.kept_at[k]), int(e.kept[k]))
    e.locked = e.lock_next = 0
    e.open = 1


def hasty(m: Any, s: Any) -> Trouble | None:
    """A write that came while an EEPROM stored."""
    e = s.eeprom
    if not e.missed:
        return None

    return Trouble(
        "eeprom-hasty", "the EEPROM of {card} was written while it stored: it ignored the byte.",
        [f"Writes within a write cycle: {int(e.missed)}, the last at T-state "
         f"{int(e.missed_t)} by {{at}}: {int(e.missed_byte):02X}h to {int(e.missed_at):04X}h of "
         f"the chip.",
         f"It takes {_pages(e)}, each byte within {int(e.window)} T-states of the one before, and "
         f"then stores for {int(e.cycle)} T-states."],
        ["Poll DQ7 or DQ6 at the last byte written until the cycle is over, before the next write.",
         "Where a page is meant, keep interrupts off while it is written: a handler between two "
         "bytes ends the page."], int(e.missed_t), _stored, int(e.missed_pc))


def protected(m: Any, s: Any) -> Trouble | None:
    """Bytes that the software protection refused."""
    e = s.eeprom
    if not e.refused:
        return None

    first, second = 0x5555 & int(e.length) - 1, 0x2AAA & int(e.length) - 1
    return Trouble(
        "eeprom-protected", "the EEPROM of {card} refuses what is written: its software protection "
                            "is on.",
        [f"Bytes without the prefix: {int(e.refused)}, the last at T-state "
         f"{int(e.refused_t)} by {{at}}, for {int(e.refused_at):04X}h of the chip.",
         "The chip is busy for a whole cycle all the same, and then gives the old byte."],
        [f"Write AAh to {first:04X}h, 55h to {second:04X}h and A0h to {first:04X}h of the chip, "
         f"then the bytes, each within {int(e.window)} T-states.",
         f"Or switch the protection off: AAh, 55h, 80h, AAh, 55h, 20h to {first:04X}h and "
         f"{second:04X}h in turn (jumper software-protected of slot {{slot}})."],
        int(e.refused_t), _stored, int(e.refused_pc))


def crossed(m: Any, s: Any) -> Trouble | None:
    """A load that left its page."""
    e = s.eeprom
    if not e.crossed:
        return None

    def mend(m: Any, s: Any) -> None:
        e = s.eeprom
        for k in range(int(e.page)):
            if e.given[k]:
                eeprom_28c.store(m, e, int(e.meant[k]), int(e.held[k]))

    return Trouble(
        "eeprom-page-crossed", "a write to the EEPROM of {card} ran over the end of a page.",
        [f"At T-state {int(e.crossed_t)} {{at}} wrote to {int(e.crossed_at):04X}h of the chip, "
         f"another page than the byte before, within one load: {int(e.page)} bytes from "
         f"{int(e.place):04X}h on got them all.",
         f"Loads that left their page: {int(e.crossed)}."],
        [f"Split the block where the address is a multiple of {int(e.page)}, and wait for the "
         f"cycle's end there."], int(e.crossed_t), mend, int(e.crossed_pc))


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    found = [check(m, s) for check in (hasty, protected, crossed)]
    return [trouble for trouble in found if trouble is not None]
