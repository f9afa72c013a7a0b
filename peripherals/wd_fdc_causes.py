"""The causes of a hang at a WD177x/279x-type controller; wd_fdc_report.py finds them."""
from __future__ import annotations

from peripherals.card import BUSY, HALTED_OFF, STUCK, Cause

ENDED = (HALTED_OFF, STUCK, BUSY)
BY_STATUS = ("status", "control")

LOST_DATA = Cause(
    "wd-lost-data", "Bytes of a sector that were not moved in time",
    "Sectors are short or garbled, or the program waits for bytes that do not come any more.",
    "A byte had not been moved when the next one came: lost data, bit 2 of the status; with a disk "
    "that waits in a copy the program goes on.",
    "Move a byte within 32 us (MFM at 250 kbit/s), 16 us at 500, with interrupts off.", (),
    when=ENDED, decides=BY_STATUS)
NOT_FOUND = Cause(
    "wd-not-found", "A sector that the controller does not find",
    "The disk is tried again and again, and nothing boots.",
    "Five turns passed without the ID that was sought: record not found, bit 4 of the status, "
    "with the track register, the density and the IDs that did pass.",
    "Write the track register after a change of drive, and set the density and the side.", (),
    when=ENDED, decides=BY_STATUS)
NOT_READY = Cause(
    "wd-not-ready", "A command to a drive that is not ready",
    "Every command ends at once, and nothing is read.",
    "READY was inactive: the motor is off, or not at speed, or there is no disk; with a drive that "
    "is ready the program goes on.",
    "Switch the motor on and wait for READY (bit 7 of the status) before a command.", (),
    when=ENDED, decides=BY_STATUS)
NO_INDEX = Cause(
    "wd-no-index", "A controller that waits for index pulses",
    "The controller is busy for ever.",
    "Turns are counted by index pulses, and none come: no disk is in the drive, or it does not "
    "turn; with a disk in a copy the program goes on.",
    "Put a disk in; break a command off with D0h when it takes more than a second.", (),
    when=ENDED, decides=BY_STATUS)
PROTECTED = Cause(
    "wd-protected", "A write to a protected disk",
    "Nothing is written, and the program tries again and again.",
    "Bit 6 of the status was set at the end of a write, at once; without the protection the "
    "program goes on.",
    "Open the tab, or take another disk; look at bit 6.", (),
    when=ENDED, decides=BY_STATUS)

CAUSES = (NO_INDEX, NOT_READY, LOST_DATA, PROTECTED, NOT_FOUND)
