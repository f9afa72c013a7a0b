"""The causes of a hang at a CompactFlash or ATA card; compactflash_troubles.py finds them."""
from __future__ import annotations

from peripherals.card import BUSY, HALTED_OFF, STUCK, Cause

ENDED = (HALTED_OFF, STUCK, BUSY)
BEHIND = "port-a"  # where all registers of a drive behind a parallel interface are read
STATUS = ("status", BEHIND)

NO_8_BIT_MODE = Cause(
    "no-8-bit-mode", "A CompactFlash card left in 16-bit mode",
    "The directory is garbled, or the machine hangs in the middle of the first sector.",
    "Data accesses move words of which only the low bytes are on the bus, and SET FEATURES 01h "
    "was not sent since the last reset; with the 8-bit mode on the program goes on.",
    "Send SET FEATURES (EFh) with feature 01h after every reset.", ("C1",),
    when=ENDED, decides=(*STATUS, "data"))
SLOW_CARD = Cause(
    "slow-card", "A card that is busy longer than the program waits",
    "The card is found, and then nothing works; with other cards it does.",
    "The last status that the program read had BSY = 1; with a faster card it goes on.",
    "Wait up to a second after a write and half a second after a reset, or use another card.",
    ("C2",),
    when=ENDED, decides=STATUS)
NO_CARD = Cause(
    "no-card", "An empty card socket",
    "A long pause or an endless wait at the search for disks.",
    "The status is the floating bus: FFh with pull-ups, which looks busy for ever; with a card in "
    "the socket the program goes on.",
    "Put a card in; let the program test for one before it waits, with a time-out.", ("C3",),
    when=ENDED, decides=STATUS)
NO_DRIVE_1 = Cause(
    "no-drive-1", "Drive 1 of a socket that has only drive 0",
    "An endless wait at the search for disks.",
    "Drive 1 is selected and the status is 00h; with drive 0 selected the program goes on.",
    "Select drive 0, or give the wait for DRDY a time-out.", ("C3",),
    when=ENDED, decides=STATUS)
REPEATED_DATA = Cause(
    "repeated-data", "The same byte at every read of the data register",
    "The card is found, with an absurd size or an unknown name.",
    "Commands are accepted and the data register never advances.",
    "Give each access a full strobe of its own and recovery time; slow the I/O cycles down.",
    ("C5",),
    when=ENDED, decides=(*STATUS, "data"))
EARLY_DATA = Cause(
    "early-data", "Data moved, or a command written, before the card is ready",
    "The last bytes of a sector are waited for, or a write or the next command never ends.",
    "Bytes were moved, or a command was written, while BSY was 1: they are lost. With the bytes "
    "moved, or the command done, the program goes on.",
    "Wait for BSY = 0 before each command, and for DRQ = 1 before the first byte of each sector.",
    ("C2",),
    when=ENDED, decides=STATUS)
FAILED_COMMAND = Cause(
    "failed-command", "A card command that ended with an error",
    "An endless wait for data, or the same command again and again.",
    "ERR is set and the error register tells why: the sector does not exist or cannot be read, or "
    "the card refuses the command; without the error the program goes on.",
    "Look at ERR before waiting for DRQ; check the address, and LBA or CHS.", ("C4",),
    when=ENDED, decides=(*STATUS, "error"))
FOREIGN_SECTOR = Cause(
    "foreign-sector", "A sector of another system, refused by the program",
    "The disk is read and nothing boots.",
    "The test that led the program into its stop was made by a byte of a sector that the card "
    "read without an error.",
    "Compare the sector with what the program expects; make the image bootable.", ("C4",),
    when=ENDED, decides=("data",), only_decided=True)

CAUSES = (NO_8_BIT_MODE, REPEATED_DATA, SLOW_CARD, NO_CARD, NO_DRIVE_1, EARLY_DATA,
          FAILED_COMMAND, FOREIGN_SECTOR)
