"""What a drive behind an 8255 says of itself, and what goes wrong between the two."""
from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np

from peripherals import compactflash as drive
from peripherals import compactflash_troubles
from peripherals.card import BUSY, HALTED_OFF, STUCK, Cause, Complaint, Trouble, roles
from peripherals.compactflash_causes import (
    EARLY_DATA,
    FAILED_COMMAND,
    FOREIGN_SECTOR,
    NO_CARD,
    NO_DRIVE_1,
    SLOW_CARD,
)
from peripherals.compactflash_sectors import BLOCK, FROM_CARD, IDLE, READY, TO_CARD
from peripherals.ppi_8255_report import chip_words

ENDED = (HALTED_OFF, STUCK, BUSY)
NAMES = ("data", "error", "count", "lba0", "lba1", "lba2", "head", "status", "control")
IDE_MUTE = Cause(
    "ide-unselected", "Writes to an IDE drive with neither chip select active",
    "The drive is there, and takes no command.",
    "DIOW came with CS0 and CS1 inactive: the mode word that turned the data ports round cleared "
    "port C, address and select with it; with these writes brought to their registers the program "
    "goes on.",
    "Write the register's number and CS0 to port C again behind each mode word.", (), when=ENDED,
    decides=("port-a",))
IDE_FIGHT = Cause(
    "ide-fight", "An IDE drive read while the 8255 drives the data lines",
    "The drive's status is what the program wrote last.",
    "DIOR was active while port A or B was an output: both drive the lines; with the drive's word "
    "at the ports the program goes on.",
    "Make ports A and B inputs by a mode word before DIOR.", (), when=ENDED, decides=("port-a",))
IDE_8_BIT = Cause(
    "ide-8-bit-mode", "A drive in 8-bit mode on sixteen lines",
    "The first sector comes half, and the machine hangs in it.",
    "SET FEATURES 01h was sent: data comes a byte a strobe, at port A alone, and the program "
    "fetches words; in 16-bit mode it goes on.",
    "Leave SET FEATURES 01h out, or fetch bytes.", (), when=ENDED, decides=("port-a",))
IDE_RESET = Cause(
    "ide-reset-by-mode", "A drive that every mode word resets",
    "The drive starts over at each transfer.",
    "There are no inverters: the mode word clears port C, and 0 makes RESET active; with RESET "
    "left alone the program goes on.",
    "Put inverters before the drive's lines, or set port C's bits at once behind each mode word "
    "and wait for the drive.", (), when=ENDED, decides=("port-a",))
CAUSES = (IDE_MUTE, IDE_FIGHT, IDE_8_BIT, IDE_RESET, SLOW_CARD, NO_CARD, NO_DRIVE_1, EARLY_DATA,
          FAILED_COMMAND, FOREIGN_SECTOR)
WHERE = re.compile(r"\{(" + "|".join(NAMES) + r")\}")


def _name(number: int) -> str:
    """Name a register of the drive as a program addresses it."""
    if number == drive.CONTROL:
        return "device control (CS1, register 6)"
    return f"the drive's register {number} ({NAMES[number]})"


def _told(trouble: Trouble) -> Trouble:
    """Say the drive's registers, which have no ports of their own, and mend the drive."""

    def text(words: str) -> str:
        told = WHERE.sub(lambda found: _name(NAMES.index(found[1])), words)
        return told[0].upper() + told[1:]

    inner = trouble.mend

    def mend(m: Any, s: Any) -> None:
        assert inner is not None
        inner(m, s.drive)

    return replace(trouble, summary=text(trouble.summary), evidence=[*map(text, trouble.evidence)],
                   remedy=[*map(text, trouble.remedy)], mend=mend if inner else None)


def describe(m: Any, s: Any) -> list[str]:
    """Give chip and drive in words."""
    lines = [name for k, name in enumerate(("DIOR", "DIOW", "CS0", "CS1", "RESET"))
             if int(s.lines) >> k & 1]
    at = _name(int(s.register)) if s.register >= 0 else "no register"
    return [*chip_words(s.chip), f"active: {' '.join(lines) or 'no line'}; {at} is selected",
            *drive.describe(m, s.drive), *_risks(s)]


def _risks(s: Any) -> list[str]:
    words = []
    if s.halves:
        words.append(f"{int(s.halves)} words of data of which port B was not read, the first at "
                     f"T-state {int(s.halves_t)}")
    if s.fights:
        words.append(f"{int(s.fights)} reads of the drive while the 8255 drove its data lines: two "
                     f"outputs against each other, the first at T-state {int(s.fight_t)}")
    if s.mute:
        words.append(f"{int(s.mute)} writes with neither CS0 nor CS1, the first at T-state "
                     f"{int(s.mute_t)}")
    return words


def risks(m: Any, s: Any) -> list[str]:
    """Give what worked by luck, or was lost."""
    return [*_risks(s), *drive.risks(m, s.drive)]


def complaints(_: Any, s: Any) -> list[Complaint]:
    """Say that the drive is held in reset by its line."""
    held = int(s.lines) >> 4 & 1
    return [Complaint(roles.HELD_IN_RESET, "drive", "port-c")] if held else []


def mute(m: Any, s: Any) -> Trouble | None:
    """Writes that reached no register."""
    if not s.lost_bits:
        return None

    def mend(m: Any, s: Any) -> None:
        for number in range(1, len(s.lost_data)):
            if int(s.lost_bits) >> number & 1:
                drive.write(m, s.drive, np.int64(number | (int(s.lost_data[number]) & 0xFF) << 8),
                            np.int64(m.t))
        m.next_event = 0

    lost = ", ".join(_name(k) for k in range(8) if int(s.lost_bits) >> k & 1)
    return Trouble(
        "ide-unselected", "{card} gets writes with neither CS0 nor CS1: no register takes them.",
        [f"DIOW was active {int(s.mute)} times with both selects inactive, the first time at "
         f"T-state {int(s.mute_t)}.",
         f"What port C had named before the mode word (the last one is "
         f"{int(s.chip.control) | 0x80:02X}h): {lost}."],
        ["Write the register's number and CS0 to {port-c} behind the mode word, which clears "
         "port C."], int(s.mute_t), mend)


def fight(m: Any, s: Any) -> Trouble | None:
    """Reads of the drive while the chip drives its lines."""
    if not s.fights:
        return None

    def mend(m: Any, s: Any) -> None:
        s.strong = 1

    return Trouble(
        "ide-fight", "{card} is read while ports A and B are outputs: chip and drive fight.",
        [f"DIOR became active {int(s.fights)} times with a data port as output, the first time at "
         f"T-state {int(s.fight_t)}; {{port-a}} then gives the chip's own latch "
         f"({int(s.chip.latch[0]):02X}h).",
         f"The last mode word was {int(s.chip.control) | 0x80:02X}h; bits 4 and 1 have to be 1."],
        ["Write 92h to {control} (A and B in, C out) before port C makes DIOR active."],
        int(s.fight_t), mend)


def eight_bits(m: Any, s: Any) -> Trouble | None:
    """Data in bytes that are fetched as words."""
    d = s.drive
    if not d.eight or d.way == IDLE or not d.at:
        return None

    def mend(m: Any, s: Any) -> None:
        d = s.drive
        d.eight = 0
        if d.way == FROM_CARD and d.left <= 1:
            d.way, d.busy, d.left, d.ended = IDLE, 0, 0, READY
        elif d.way == TO_CARD:
            d.at = BLOCK - 2

    return Trouble(
        "ide-8-bit-mode", "{card} is in 8-bit mode, and gives a byte a strobe.",
        ["SET FEATURES (EFh) with feature 01h was sent; since then port B has no part in the "
         "data.",
         f"The transfer stands at byte {int(d.at)} of {BLOCK}."],
        ["Leave SET FEATURES 01h out: behind an 8255 there are sixteen lines; or fetch 512 bytes a "
         "sector at {port-a}."], int(m.medium_t or m.t), mend)


def pulled(m: Any, s: Any) -> Trouble | None:
    """Mode words that reset the drive."""
    if not s.pulled:
        return None

    def mend(m: Any, s: Any) -> None:
        d = s.drive
        s.deaf = 1
        d.way, d.busy, d.left, d.ended = IDLE, 0, 0, READY
        d.reset_time = 0
        m.event_t[s.slot] = min(int(m.event_t[s.slot]), int(m.t) + 1)

    return Trouble(
        "ide-reset-by-mode", "{card} resets its drive at each mode word.",
        [f"{int(s.pulled)} mode words made RESET active, the first at T-state {int(s.pulled_t)}: "
         f"they clear port C, and without inverters 0 is active.",
         f"After each the drive is busy for {int(s.drive.reset_time)} T-states."],
        ["Put inverters before the five lines (inverters = true in slot {slot}); then 00h at "
         "{port-c} leaves the drive alone."], int(s.pulled_t), mend)


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong, between chip and drive first."""
    found = [check(m, s) for check in (mute, fight, eight_bits, pulled)]
    return [*(trouble for trouble in found if trouble is not None),
            *map(_told, compactflash_troubles.troubles(m, s.drive))]
