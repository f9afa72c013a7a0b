"""The causes of a hang at a floppy controller; fdc_765_troubles.py finds them."""
from __future__ import annotations

from peripherals.card import HALTED_OFF, STUCK, Cause

MOTOR_OFF = Cause(
    "motor-off", "A floppy command with the motor off",
    "The machine hangs at its first access to the floppy, or the second access works.",
    "The controller is in its execution phase and waits for index pulses; the motor bit of the "
    "drive is 0. The chip has no time-out of its own.",
    "Turn the motor on, wait for the spin-up (half a second, one second for 5.25 inch), then "
    "send the command; give every wait a time-out and reset the controller when it runs out.",
    ("F1",),
    when=(STUCK, HALTED_OFF))
MOTOR_SLOW = Cause(
    "motor-slow", "A command given up before the drive is up to speed",
    "The first access to a resting drive fails, each time; a drive that still turns works.",
    "Commands end by a reset while the motor gains speed, and the program goes on in a copy whose "
    "drive needs no time for that.",
    "Wait for the spin-up (half a second, one second for 5.25 inch) before the command, or give it "
    "a longer time-out, and leave the motor on between tries.", ("F1",),
    when=(STUCK, HALTED_OFF))
NO_DISK = Cause(
    "no-disk", "A floppy command for a drive that cannot turn",
    "The machine hangs at its first access to the floppy.",
    "The controller waits for index pulses of a drive without a disk, or of one that is not "
    "fitted.",
    "Put a disk in, or mend the drive number; give every wait a time-out and reset the "
    "controller when it runs out.", ("F1",),
    when=(STUCK, HALTED_OFF))
WRONG_DATA_RATE = Cause(
    "wrong-data-rate", "A disk read at another rate than it was written at",
    "No sector is ever found, on no track.",
    "Searches end with a missing address mark (ST1 = 01h), and the track holds marks at another "
    "rate; at that rate the program goes on.",
    "Write the rate that fits the disk to the rate register, or try each of them.", ("F2",),
    when=(STUCK, HALTED_OFF))
DATA_OVERRUN = Cause(
    "data-overrun", "A polled loop slower than the disk",
    "Reading fails at high density or with a slow CPU, and works otherwise.",
    "Transfers end with an overrun (ST1 bit 4): a byte was asked for and not moved in time.",
    "Make the loop shorter, keep interrupts off during a sector, take a lower density or a "
    "faster clock, or a controller with a FIFO.", ("F3",),
    when=(STUCK, HALTED_OFF))
INTERRUPTED_TRANSFER = Cause(
    "interrupted-transfer", "An interrupt in the middle of a polled sector",
    "Reading fails now and then, or always when the tick is fast.",
    "An interrupt was acknowledged between the last byte that was moved and the overrun: its "
    "handler kept the CPU while the next byte was lost.",
    "Keep interrupts off from the command to its results; the tick catches up afterwards.",
    ("F4",),
    when=(STUCK, HALTED_OFF))
MISSING_TERMINAL_COUNT = Cause(
    "missing-terminal-count", "Good data taken for bad: nobody gives terminal count",
    "Every transfer seems to fail, and the data are right.",
    "Commands end with ST0 = 40h, ST1 = 80h (end of cylinder) and no other error.",
    "Accept that ending when EOT was the last sector wanted, or give terminal count behind the "
    "last byte.", ("F5",),
    when=(STUCK, HALTED_OFF))
MISSING_SENSE = Cause(
    "missing-sense", "A seek that nobody asked about",
    "The machine hangs at the first command behind a seek, recalibrate or reset.",
    "The command was refused as invalid (one result byte, 80h) while the end of a seek waited "
    "for SENSE INTERRUPT; or the drive's busy bit, which falls only then, is waited for first.",
    "Send SENSE INTERRUPT and take its results after every seek and recalibrate, and four "
    "times after a reset.", ("F6",),
    when=(STUCK, HALTED_OFF))
RECALIBRATE_SHORT = Cause(
    "recalibrate-short", "A recalibrate that gives up before track 0",
    "An 80-track drive is found broken now and then, depending on where its head stood.",
    "The recalibrate ended with equipment check after its 77 step pulses (79 of the part with a "
    "FIFO), with the head still beyond track 0.",
    "Send a second recalibrate before giving up.", ("F8",),
    when=(STUCK, HALTED_OFF))
WRITE_PROTECTED = Cause(
    "write-protected", "Writing to a write-protected disk",
    "Writing or formatting is tried for ever.",
    "Commands are refused with ST1 bit 1; with the tab the other way the program goes on.",
    "Take the protection off, and let the program say so instead of trying again.", (),
    when=(STUCK, HALTED_OFF))
DISK_CHANGE_LATCHED = Cause(
    "disk-change-latched", "A disk-change line that stays active",
    "The machine waits for a new disk for ever, or finds every disk changed at each access.",
    "The program tests the line and no step pulse has come since the disk was put in.",
    "Seek to another cylinder and back with a disk in the drive: only a step pulse clears it.",
    ("F7",),
    when=(STUCK, HALTED_OFF))
INTERRUPT_UNWIRED = Cause(
    "interrupt-unwired", "Waiting for an interrupt that the jumpers do not wire",
    "The machine halts or goes round at its first seek or transfer.",
    "The card's interrupt output is active and no jumper and no wire leads it anywhere.",
    "Set the jumper or the wire, or let the program poll.", ("F6",),
    when=(STUCK,))

CAUSES = (INTERRUPTED_TRANSFER, DATA_OVERRUN, MOTOR_OFF, MOTOR_SLOW, NO_DISK, INTERRUPT_UNWIRED,
          MISSING_SENSE, MISSING_TERMINAL_COUNT, RECALIBRATE_SHORT, WRONG_DATA_RATE,
          WRITE_PROTECTED, DISK_CHANGE_LATCHED)
