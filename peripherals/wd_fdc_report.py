"""What a WD177x/279x-type controller says of itself, and what went wrong at it."""
from __future__ import annotations

from typing import Any

from emu.bus.state import FAR
from peripherals.card import Trouble
from peripherals.fdc_765_drive import set_motor
from peripherals.wd_fdc_state import CHIPS, ONE, SPINNING, STUCK, set_event

NAMES = (("RESTORE", "SEEK"), ("STEP",) * 2, ("STEP IN",) * 2, ("STEP OUT",) * 2,
         ("READ SECTOR",) * 2, ("WRITE SECTOR",) * 2, ("READ ADDRESS", "FORCE INTERRUPT"),
         ("READ TRACK", "WRITE TRACK"))


def command(byte: int) -> str:
    """Name a command."""
    return f"{NAMES[byte >> 5][byte >> 4 & 1]} ({byte:02X}h)"


def describe(m: Any, s: Any) -> list[str]:
    """Give the chip and its drives in words."""
    now = f"busy with {command(int(s.command))}" if s.busy else "idle"
    out = [f"WD{CHIPS[int(s.chip)]}, {now}, status {int(s.status) | int(s.busy):02X}h, track "
           f"{int(s.track)}, sector {int(s.sector)}, DRQ {int(s.drq)}, INTRQ {int(s.intrq)}, "
           f"{'FM' if s.fm else 'MFM'}, side {int(s.side)}",
           f"{int(s.commands)} commands, {int(s.reads)} sectors read, {int(s.writes)} written, "
           f"{int(s.formats)} tracks formatted"]
    for k, d in enumerate(s.drive):
        if d.fitted:
            what = ("motor off" if not d.motor else "at speed" if d.spun_t <= m.t else "spins up")
            disk = ("no disk" if not d.disk else "a protected disk" if d.protected else "a disk")
            out.append(f"drive {k}: {disk}, {what}, head at cylinder {int(d.position)}"
                       + (", selected" if k == s.used else ""))
    return out + risks(m, s)


def risks(m: Any, s: Any) -> list[str]:
    """What was lost."""
    out = []
    if s.losses:
        out.append(f"{int(s.losses)} bytes were not moved in time (lost data), the last time at "
                   f"T-state {int(s.lost_t)}")
    if s.ignored:
        out.append(f"{int(s.ignored)} commands came while it was busy, and were lost; the first at "
                   f"T-state {int(s.ignored_t)}")
    return out


def lost_data(m: Any, s: Any) -> Trouble | None:
    """Bytes that came too late."""
    if not s.lost_now:
        return None

    def mend(m: Any, s: Any) -> None:
        s.patient = 1

    byte = int(16 * s.unit_num[s.rate] / s.unit_den[s.rate]) << int(s.fm)
    return Trouble(
        "wd-lost-data", "{card} has lost bytes: they were not moved before the next one came.",
        [f"{int(s.lost_now)} bytes of {command(int(s.lost_command))} were lost, the first at "
         f"T-state {int(s.lost_t)}; a byte lasts {byte} T-states.",
         f"Bit 2 of {{status}} is set, and {int(s.losses)} bytes were lost in all."],
        ["Move each byte within a byte's time behind DRQ, with interrupts off, or give the board a "
         "faster CPU clock.", "Look at bit 2 of {status} when a command has ended."],
        int(s.lost_t), mend)


def not_found(m: Any, s: Any) -> Trouble | None:
    """A sector or track that never passed."""
    if not s.missing_now:
        return None
    d = s.drive[int(s.used)]
    where = f"cylinder {int(s.missed_at)}"
    coding = "FM" if s.missed_fm else "MFM"
    if not s.missed_ids:
        why = f"no ID in {coding} passed at {where}: another density, or never formatted"
        remedy = "Set the density bit of {control}, or format the disk."
    elif s.missed_seen != s.missed_track:
        why = (f"the IDs at {where} are of track {int(s.missed_seen)}, and the track register "
               f"holds {int(s.missed_track)}")
        remedy = ("RESTORE after a reset, and write {track} when another drive is selected; wait "
                  "out the step rate that the drive needs.")
    else:
        why = (f"{int(s.missed_ids)} IDs passed at {where}, none of them of sector "
               f"{int(s.missed_sector)} with a good CRC")
        remedy = "Check the number of the sector, the first of which is 1 on most disks."
    return Trouble(
        "wd-not-found", "{card} did not find what it sought on the disk.",
        [f"{command(int(s.missed_command))} ended at T-state {int(s.missing_t)} with record not "
         f"found (bit 4 of {{status}}): {why}.",
         f"{int(s.missing)} searches found nothing; {int(d.lost_steps)} step pulses came too fast "
         f"for the drive."], [remedy], int(s.missing_t), again="missing")


def not_ready(m: Any, s: Any) -> Trouble | None:
    """A command that READY turned away."""
    if not s.unready_now:
        return None
    d = s.drive[int(s.used)]

    def mend(m: Any, s: Any) -> None:
        d = s.drive[int(s.used)]
        d.fitted = d.disk = 1
        s.motor_bit = -1
        set_motor(d, 1, int(m.t))
        d.spun_t = d.index_t = int(m.t)

    why = ("no drive of that number is fitted" if not d.fitted else "there is no disk in it"
           if not d.disk else "its motor is off" if not d.motor else "it was not at speed yet")
    return Trouble(
        "wd-not-ready", "{card} turns commands away: its drive is not ready.",
        [f"{command(int(s.unready_command))} ended at once at T-state {int(s.unready_t)}: drive "
         f"{int(s.used)} is selected, and {why}.", f"{int(s.unready)} commands ended so."],
        ["Switch the motor on through {control}, and wait until bit 7 of {status} is 0; or put a "
         "disk in (jumper drive-a of slot {slot})."], int(s.unready_t), mend)


def no_index(m: Any, s: Any) -> Trouble | None:
    """A command that waits for index pulses that never come."""
    if not s.busy or s.event_t != FAR or s.stage not in (SPINNING, STUCK):
        return None

    def mend(m: Any, s: Any) -> None:
        d = s.drive[int(s.used)]
        d.fitted = d.disk = 1
        s.motor_bit = -1
        set_motor(d, 1, int(m.t))
        d.spun_t = d.index_t = int(m.t)
        s.busy = 0
        s.status, s.stage = 0, 0
        s.type_one = int(s.kind == ONE)
        s.intrq = 1
        set_event(m, s)

    d = s.drive[int(s.used)]
    why = ("no drive of that number is fitted" if not d.fitted else "there is no disk in it"
           if not d.disk else "its motor is off")
    return Trouble(
        "wd-no-index", "{card} is busy for ever: it counts index pulses, and none come.",
        [f"{command(int(s.command))} began at T-state {int(s.command_t)}; drive {int(s.used)} is "
         f"selected, and {why}."],
        ["Put a disk in (jumper drive-a of slot {slot}), and switch its motor on.",
         "Give the wait for bit 0 of {status} a time-out, and write D0h to it then."],
        int(s.command_t), mend, waiting=True)


def protected(m: Any, s: Any) -> Trouble | None:
    """A write to a protected disk."""
    if not s.refused_now:
        return None

    def mend(m: Any, s: Any) -> None:
        for d in s.drive:
            d.protected = 0

    return Trouble(
        "wd-protected", "{card} does not write: the disk is protected.",
        [f"{command(int(s.refused_command))} ended at once at T-state {int(s.refused_t)} with bit "
         f"6 of {{status}} set; {int(s.refused)} writes ended so."],
        ["Open the tab of the disk (write-protect = false in drive-a of slot {slot}), or look at "
         "bit 6 before writing."], int(s.refused_t), mend)


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    found = [check(m, s) for check in (no_index, not_ready, lost_data, protected, not_found)]
    return [trouble for trouble in found if trouble is not None]
