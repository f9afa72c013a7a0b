"""What goes wrong at a CompactFlash card, as the card's own record shows it.

Plain Python over the card's record; `Trouble` says what stands in braces.
"""
from __future__ import annotations

from typing import Any

from peripherals.card import Trouble
from peripherals.compactflash_sectors import (
    BLOCK,
    ERR,
    FROM_CARD,
    GENERAL,
    IDLE,
    LBA_MODE,
    LEAST,
    READY,
    TO_CARD,
    turn_over,
)

DRIVE = 0x10
SAID = 400  # the sectors of a card that a copy of the machine is given


def _idle(s: Any) -> None:
    s.way, s.busy, s.ended, s.left = IDLE, 0, READY, 0


def no_8_bit_mode(m: Any, s: Any) -> Trouble | None:
    """Data moved in 16-bit mode over eight lines."""
    if not s.lost or s.eight:
        return None

    def mend(m: Any, s: Any) -> None:
        s.eight = 1
        if s.way == IDLE:  # the half that did not come is still there
            s.way, s.at, s.left, s.busy = FROM_CARD, BLOCK // 2, 1, 0

    asked = "once, and a reset has turned it off again" if s.eight_asked else "never"
    return Trouble(
        "no-8-bit-mode",
        "{card} moves data in 16-bit mode over eight data lines: every second byte is lost.",
        [f"{int(s.lost)} bytes were lost at {{data}}, the first at T-state {int(s.lost_t)}.",
         f"SET FEATURES (EFh) with feature 01h was sent {asked}.",
         "After 256 reads the sector is over for the card; a program that waits for the rest "
         "waits for ever."],
        ["Write 01h to {error} and EFh to {status} after every reset, wait for BSY = 0, and "
         "look at ERR."], int(s.lost_t), mend)


def slow_card(m: Any, s: Any) -> Trouble | None:
    """A busy time that the program did not wait for."""
    if not s.fitted or not s.waited or not s.busy_polls:
        return None

    def mend(m: Any, s: Any) -> None:
        s.reset_time = s.read_time = s.write_time = LEAST
        if s.busy:
            m.event_t[s.slot] = min(int(m.event_t[s.slot]), int(m.t) + LEAST)

    last = int(s.command)
    what = f"command {last:02X}h" if last else "its reset"
    times = max(int(s.reset_time), int(s.read_time), int(s.write_time))
    return Trouble(
        "slow-card", f"{{card}} is busy longer after {what} than the program waits.",
        [f"{{status}} was read {int(s.busy_polls)} times with BSY = 1, the last time at T-state "
         f"{int(s.poll_t)}; after that nobody looked until BSY was 0.",
         f"The card's longest busy time is {times} T-states."],
        ["Wait longer for BSY = 0: up to a second after a write, half a second after reset; or "
         "use another card.",
         "Jumpers ready-time, read-time and write-time of slot {slot} say how slow this one "
         "is."], int(s.poll_t), mend)


def no_card(m: Any, s: Any) -> Trouble | None:
    """An empty socket that is polled."""
    if s.fitted or not s.absent_polls:
        return None

    def mend(m: Any, s: Any) -> None:
        s.fitted, s.total = 1, SAID
        _idle(s)

    return Trouble(
        "no-card", "{card} has no medium: its socket is empty, and {status} is the floating bus.",
        [f"{{status}} was read {int(s.absent_polls)} times; nobody drove the bus, and FFh looks "
         "like a card that is busy for ever."],
        ["Put a card in (medium = \"card.img\" in slot {slot}).",
         "Let the program write 55h and AAh to {lba0} and {lba1} and read them back before it "
         "waits, and give the wait a time-out."], int(s.absent_t), mend, waiting=True)


def no_drive_1(m: Any, s: Any) -> Trouble | None:
    """Drive 1 that is polled, and is not there."""
    if not s.fitted or not s.head & DRIVE or not s.absent_polls:
        return None

    def mend(m: Any, s: Any) -> None:
        s.head = int(s.head) & ~DRIVE
        _idle(s)

    return Trouble(
        "no-drive-1", "{card} is asked for its drive 1, which is not there: the status is 00h.",
        [f"{{head}} holds {int(s.head):02X}h, with bit 4 set: drive 1.",
         f"The status was read {int(s.absent_polls)} times as 00h: neither busy nor ready."],
        ["Write E0h, not F0h, to {head}; or give the wait for DRDY a time-out."],
        int(s.absent_t), mend, waiting=True)


def repeated_data(m: Any, s: Any) -> Trouble | None:
    """A data register that never advances."""
    if not s.repeats:
        return None

    def mend(m: Any, s: Any) -> None:
        s.held_strobe = 0
        if s.way == FROM_CARD:
            _idle(s)

    return Trouble(
        "repeated-data", "{card} gives the same byte at every read of {data}.",
        [f"{int(s.repeats)} accesses of {{data}} did not advance, the first at T-state "
         f"{int(s.repeat_t)}; the other registers answer as they should.",
         "The card sees no strobe of its own for each access (jumper data-strobe = \"held\")."],
        ["Mend the board's decoder: each access needs its own full RD or WR strobe and the "
         "recovery time between two; slow the I/O cycles down (waits-io), or try another card."],
        int(s.repeat_t), mend)


def early_data(m: Any, s: Any) -> Trouble | None:
    """A transfer that wants bytes which the program has moved too soon."""
    if not s.fitted or not s.spoiled or s.way == IDLE or s.busy:
        return None

    def mend(m: Any, s: Any) -> None:
        s.at = min(int(s.at + s.spoiled), BLOCK)
        s.spoiled = 0
        if s.at == BLOCK:
            turn_over(m, s, int(m.t))

    what = "written to" if s.way == TO_CARD else "read from"
    return Trouble(
        "early-data", "{card} was not ready for data: bytes were moved while it was busy.",
        [f"{int(s.spoiled)} bytes were {what} {{data}} with BSY = 1, before DRQ, the first at "
         f"T-state {int(s.early_t)}: they are lost.",
         f"Command {int(s.command):02X}h has moved {int(s.at)} of {BLOCK} bytes of its sector and "
         f"keeps DRQ = 1 for the rest."],
        ["Wait for BSY = 0 and DRQ = 1 in {status} before the first byte of each sector, when "
         "writing, too."], int(s.early_t), mend)


def early_command(m: Any, s: Any) -> Trouble | None:
    """A command that was written while the card was busy, and no other behind it."""
    if not s.fitted or not s.hasty or s.busy:
        return None
    command = int(s.hasty) - 1
    return Trouble(
        "early-data", f"{{card}} was busy when command {command:02X}h was written, and lost it.",
        [f"{{pc}} wrote {command:02X}h to {{status}} at T-state {int(s.hasty_t)} with BSY = 1; "
         f"the command before it, {int(s.command):02X}h, had not ended. Registers written then "
         f"are lost too."],
        ["Wait for BSY = 0 in {status} before the registers of a command are written: also behind "
         "the last byte of a sector that was sent."], int(s.hasty_t))


def failure(s: Any) -> str:
    """Say in words how the last command failed."""
    command, error = int(s.command), int(s.error)
    chs = f"cylinder {int(s.lba1) | int(s.lba2) << 8} head {int(s.head) & 15} sector {int(s.lba0)}"
    lba = int(s.lba0) | int(s.lba1) << 8 | int(s.lba2) << 16 | (int(s.head) & 15) << 24
    where = f"sector {lba}" if s.head & LBA_MODE else chs
    if error & 0x40:
        return f"command {command:02X}h, error 40h (UNC): {where} cannot be read"
    if error & 0x10:
        return (f"command {command:02X}h, error 10h (IDNF): there is no {where} on a card of "
                f"{int(s.total)} sectors, {int(s.heads)} heads, {int(s.sectors)} sectors a track")
    protected = ", as the card is write-protected" if s.protected else ""
    return f"command {command:02X}h, error {error:02X}h (ABRT): the card refuses it{protected}"


def _remedy(s: Any) -> str:
    if s.error & 0x40:
        return "Write the sector anew, or use another card (jumper bad-sectors of slot {slot})."
    if s.error & 0x10:
        return ("Check the sector's address against the card's size, and LBA or CHS in {head} (E0h "
                "or A0h).")
    if s.protected:
        return "Take the write protection off (jumper write-protect of slot {slot})."
    return "Use commands that the card has: words 82 to 84 of IDENTIFY, and its manual, tell."


def failed_command(m: Any, s: Any) -> Trouble | None:
    """A command that ended with an error."""
    if not s.fitted or not s.ended & ERR:
        return None

    def mend(m: Any, s: Any) -> None:
        s.bads, s.ended = 0, READY
        reads = int(s.command) in (0x20, 0x21, 0xC4)
        s.way, s.sector, s.at, s.left = FROM_CARD if reads else IDLE, GENERAL, 0, 0

    return Trouble(
        "failed-command", "{card} has ended a command with an error, and the program does not go "
                          "on from there.",
        [f"{failure(s)[0].upper()}{failure(s)[1:]}.",
         f"{{status}} shows {int(s.ended):02X}h: ERR = 1, and DRQ never comes after an error.",
         f"{int(s.errors)} commands have failed, the last at T-state {int(s.failed_t)}."],
        ["Look at ERR (bit 0 of {status}) when BSY is 0, and at {error} for the reason, before "
         "waiting for DRQ.",
         _remedy(s)], int(s.failed_t), mend)


def foreign_sector(m: Any, s: Any) -> Trouble | None:
    """A sector that was read well; whether its content is wrong shows in the program."""
    if not s.done_t or not (s.eight or s.wide) or s.repeats:
        return None
    first = bytes(int(byte) for byte in s.first)
    return Trouble(
        "foreign-sector", f"The program refuses sector {int(s.done_at)} of {{card}}, which was "
                          f"read without an error.",
        [f"Sector {int(s.done_at)} came whole at T-state {int(s.done_t)}; it begins "
         f"{first.hex(' ').upper()}."],
        ["Compare the sector with what the program expects: the image is of another system, has "
         "another geometry, or was never made bootable."], int(s.done_t))


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    found = [check(m, s) for check in (no_8_bit_mode, repeated_data, slow_card, no_card,
                                       no_drive_1, early_data, early_command, failed_command,
                                       foreign_sector)]
    return [trouble for trouble in found if trouble is not None]
