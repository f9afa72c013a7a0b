"""What the chip in a memory card's ROM socket says of itself, and what goes wrong at it."""
from __future__ import annotations

from typing import Any

from peripherals import eeprom_28c_report, flash_29f
from peripherals.card import (
    BUSY,
    HALTED_OFF,
    STUCK,
    WILD,
    Cause,
    Complaint,
    FlashChip,
    Trouble,
    roles,
)
from peripherals.writable_chip import EEPROM, LARGE

ENDED = (HALTED_OFF, STUCK, BUSY)
FLASH_OVER_ZERO = Cause(
    "flash-over-zero", "A byte programmed over zeros that no erase has removed",
    "The first store works, a second one to the same place hangs.",
    "The chip tries to make a 1 of a 0 and passes its limit: DQ5 is 1, DQ6 goes on flipping until "
    "F0h; with the byte as wanted the program goes on.",
    "Erase the sector first; look at DQ5 in the polling loop, and write F0h.", (), when=ENDED)
FLASH_NOT_AWAITED = Cause(
    "flash-not-awaited", "A flash that erases longer than the program waits",
    "A tool says that the erase failed, though with another chip it works.",
    "Sectors of this part take a second and more; the program went on while DQ6 still flipped; "
    "with the erase over it goes on.",
    "Wait by DQ6 and DQ5, with the part's own maximum; a 39SF's 25 ms are too short for a 29F.",
    (), when=ENDED)
FLASH_OWN_SECTOR = Cause(
    "flash-own-sector", "An erase that took the program's own code with it",
    "The store crashes or starts over, and at the next reset nothing boots.",
    "The sector that was erased is larger than the program took it for, and holds what the CPU "
    "then fetches: FFh.",
    "Know the part: 16 KiB a sector in a 29F010, 64 KiB in a 29F040, 4 KiB in a 39SF; keep data in "
    "a sector without code.", (), when=(WILD, STUCK, BUSY, HALTED_OFF))
UNSEEN = 20  # times the 50 us: who polls looks again sooner
CAUSES = (*eeprom_28c_report.CAUSES, FLASH_OVER_ZERO, FLASH_NOT_AWAITED, FLASH_OWN_SECTOR)


def chip_role(m: Any, s: Any) -> FlashChip | None:
    """Give the chip as a card tells of it; a ROM in its place takes no writes."""
    writable = not s.is_rom
    if s.family == LARGE:
        f = s.large
        return FlashChip(writable, int(f.programs), int(f.erases), int(f.id_mode), int(f.stray),
                         int(f.stray_at), 0x13, int(f.first_t))
    if s.family == EEPROM:
        return eeprom_28c_report.role(m, s)
    f = s.flash
    return FlashChip(writable, int(f.programs), int(f.erases), int(f.id_mode), int(f.stray),
                     int(f.stray_at))


def _busy(m: Any, s: Any) -> bool:
    return bool(s.flash.busy and s.flash.busy_until > m.t or s.large.busy)


def chip_complaints(m: Any, s: Any) -> list[Complaint]:
    """Give a chip that is busy, or was written without a command."""
    out = eeprom_28c_report.complaints(m, s)
    if _busy(m, s):
        out.append(Complaint(roles.FLASH_BUSY))
    strays = int(s.flash.stray + s.large.stray)
    if strays:
        protected = {"jumper": "write-protect", "mend": False} if s.is_rom else {}
        out.append(Complaint(roles.FLASH_STRAY, count=strays, **protected))
    return out


def over_zero(m: Any, s: Any) -> Trouble | None:
    """A byte that cannot be programmed."""
    f = s.large
    if not f.failed:
        return None
    old = int(m.phys[int(f.origin + f.at)])

    def mend(m: Any, s: Any) -> None:
        f = s.large
        f.failed, f.busy = 0, flash_29f.IDLE
        m.phys[int(f.origin + f.at)] = int(f.byte)

    return Trouble(
        "flash-over-zero", "the flash of {card} cannot program a byte over zeros: DQ5 is 1.",
        [f"{int(f.byte):02X}h was to be programmed at {int(f.at):05X}h of the chip, where "
         f"{old:02X}h now stands; programming makes no 1 of a 0.",
         f"Since T-state {int(f.until)} the chip is over its limit; its status was read last at "
         f"T-state {int(f.polled_t)}, with DQ5 = 1, and nobody wrote F0h."],
        [f"Erase the sector ({flash_29f.sectors(f, 1 << int(f.at) // int(f.sector))}) before its "
         f"bytes are written again.",
         "Test DQ5 in the polling loop, write F0h when it is 1, and report the failure."],
        int(f.until), mend)


def not_awaited(m: Any, s: Any) -> Trouble | None:
    """An erase that the program did not wait for."""
    f = s.large
    erasing = f.busy in (flash_29f.SECTORS, flash_29f.CHIP)
    end = int(m.t if erasing else f.erased_t)
    left = f.erase_t < f.polled_t < end - UNSEEN * int(f.time_window)
    if not f.ignored and not left:
        return None
    since = int(f.ignored_t if f.ignored else f.polled_t)

    def mend(m: Any, s: Any) -> None:
        f = s.large
        if f.busy in (flash_29f.SECTORS, flash_29f.CHIP):
            flash_29f.erase(m, f, int(m.t))
            f.busy, f.asleep_t = flash_29f.IDLE, 0
            m.event_t[s.slot] = int(m.t) + 1
        f.time_sector, f.time_chip = f.time_program, f.time_program

    evidence = [f"An erase of a sector takes {int(f.time_sector)} T-states, of the chip "
                f"{int(f.time_chip)}; its status was read last at T-state {int(f.polled_t)}."]
    if f.ignored:
        what = " (a further sector, too late)" if f.ignored_byte == 0x30 else ""
        evidence.append(f"{int(f.ignored)} writes came while it was busy and were ignored, the "
                        f"last at T-state {int(f.ignored_t)} by {{at}}: "
                        f"{int(f.ignored_byte):02X}h{what}.")
    return Trouble(
        "flash-not-awaited", "the flash of {card} was still busy when the program went on.",
        evidence,
        ["Poll DQ6 until it stands still, and DQ5; allow the part's maximum, seconds for a sector "
         "of a 29F.",
         f"Further sectors are taken within {int(f.time_window)} T-states only, while DQ3 is 0."],
        since, mend, int(f.ignored_pc))


def own_sector(m: Any, s: Any, at: int) -> Trouble | None:
    """An erase of what the CPU fetches now."""
    f = s.large
    if at < 0 or not f.lost or not int(f.erased) >> at // int(f.sector) & 1:
        return None
    if int(m.phys[int(f.origin) + at]) != 0xFF:
        return None
    return Trouble(
        "flash-own-sector", "an erase of the flash of {card} took the program's own code.",
        [f"At T-state {int(f.erased_t)} {flash_29f.sectors(f, int(f.erased))} of the chip were "
         f"erased, {int(f.lost)} bytes that were not blank among them.",
         f"The CPU is at {int(m.pc):04X}h, {at:05X}h of the chip, and fetches FFh there."],
        [f"This part has sectors of {int(f.sector) >> 10} KiB: keep what is rewritten in a sector "
         f"without code, or save and restore the whole of it from RAM."],
        int(f.erased_t), None, waiting=True)


def chip_troubles(m: Any, s: Any, at: int) -> list[Trouble]:
    """Give what went wrong at the chip; ``at`` is where the CPU is in it, -1: elsewhere."""
    if s.family != LARGE:
        return eeprom_28c_report.troubles(m, s)
    found = [own_sector(m, s, at), over_zero(m, s), not_awaited(m, s)]
    return [trouble for trouble in found if trouble is not None]
