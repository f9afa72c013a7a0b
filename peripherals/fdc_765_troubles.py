"""What went wrong at the controller by its own rules, in words, for the diagnosis.

Plain Python over the card's record; `Trouble` says what stands in braces.
"""
from __future__ import annotations

from dataclasses import replace
from typing import Any

from emu.bus.state import FAR
from peripherals.card import Trouble
from peripherals.fdc_765_chip import set_event
from peripherals.fdc_765_state import (
    ABNORMAL,
    DRIVES,
    END_OF_CYLINDER,
    EQUIPMENT,
    EXECUTION,
    IDLE,
    INVALID,
    MFM_BYTE,
    NO_MARK,
    NOT_WRITABLE,
    OVERRUN,
    PULSES,
    RECALIBRATE,
    STUCK,
    turn_units,
)

RATES = ("500", "300", "250", "1000")  # kbit/s by the rate register's value


def command_words(s: Any) -> str:
    """Give the last command and the last result in hex."""
    command = " ".join(f"{int(byte):02X}" for byte in s.command[:max(int(s.length), 1)])
    result = " ".join(f"{int(byte):02X}" for byte in s.result[:int(s.results)])
    if int(s.phase) != EXECUTION:
        return f"The last command was {command}, its result {result}."
    before = f"; a transfer before it ended with {result}" if int(s.results) == 7 else ""
    return f"The command under way is {command}{before}."


def drive_name(number: int) -> str:
    """Name a drive as the jumpers do."""
    return f"drive-{'abcd'[number]}"


def ended_with(s: Any, status_1: int) -> bool:
    """Tell whether the last result of a transfer shows a bit of status register 1."""
    return int(s.results) == 7 and bool(int(s.result[1]) & status_1)


def no_index(m: Any, s: Any) -> Trouble | None:
    """Check for a command that waits for an index pulse that cannot come."""
    if int(s.phase) != EXECUTION or int(s.stage) != STUCK:
        return None
    number = int(s.used)
    d, name = s.drive[number], drive_name(number)
    said = [command_words(s), "The controller has no time-out of its own: without index pulses it "
            "stays in the execution phase."]
    if int(d.fitted) and int(d.disk):
        on = int(s.output) | 0x10 << number | 0x0C
        return Trouble(
            "motor-off", f"{{card}} waits for {name} to turn, and its motor is off.",
            [f"The output register holds {int(s.output):02X}h: the motor bit of {name} (bit "
             f"{4 + number}) is 0.", *said],
            [f"Write {on:02X}h to port {{output}} and wait for the spin-up, before the command at "
             f"{{pc}}.", "Give the wait a time-out, and reset the controller through port "
             "{output} when it runs out."], int(s.start_t), waiting=True)
    why = "holds no disk" if int(d.fitted) else "is not fitted"
    return Trouble(
        "no-disk", f"{{card}} waits for {name} to turn, and it {why}.",
        [f"The wiring selects {name} (output register {int(s.output):02X}h), which {why}.", *said],
        [f"Put a disk into {name} (its table's `medium`), or select another drive at port "
         f"{{output}}.", "Give the wait a time-out, and reset the controller through port "
         "{output} when it runs out."], int(s.start_t), waiting=True)


def motor_slow(m: Any, s: Any) -> Trouble | None:
    """Check for commands that are given up before the drive is up to speed, every time."""
    if not int(s.cut) or int(m.medium_t) > int(s.cut_t):
        return None
    number = int(s.used)
    d, name = s.drive[number], drive_name(number)

    def mend(_: Any, state: Any) -> None:
        state.drive[number].spin = 0

    took = float(d.spin) * float(s.unit_den[0]) / float(s.unit_num[0]) / 1000  # units of 1 us
    return Trouble(
        "motor-slow",
        f"the program gives up before {name} of {{card}} is up to speed, and turns it off again.",
        [f"{int(s.cut)} commands were ended by a reset through port {{output}} while the motor was "
         f"gaining speed, which takes {took:.0f} ms from rest; no byte has been moved since.",
         command_words(s)],
        [f"Wait {took:.0f} ms or more behind the motor bit at port {{output}}, or give the "
         f"command a longer time-out (reset by {{pc}}).",
         "Leave the motor on between tries."], int(s.cut_t), mend)


def wrong_rate(m: Any, s: Any) -> Trouble | None:
    """Check for marks that are there, but at another rate than the controller's."""
    if not ended_with(s, NO_MARK) or int(s.buf_track) < 0 or int(s.fm) != int(s.buf_fm):
        return None
    d = s.drive[int(s.used)]
    here = turn_units(s, d) // MFM_BYTE
    if not any(s.marks[:int(s.buf_len)]) or abs(here - int(s.buf_len)) * 32 <= int(s.buf_len):
        return None
    good = [r for r in range(3) if abs(_turn_bytes(s, d, r) - int(s.buf_len)) * 32
            <= int(s.buf_len)]
    written = RATES[good[0]] if good else "another rate"

    def mend(_: Any, state: Any) -> None:
        state.rate = good[0]

    return Trouble(
        "wrong-data-rate",
        f"{{card}} looks for marks at {RATES[int(s.rate)]} kbit/s on a disk written at {written} "
        f"kbit/s, and finds none.",
        [f"{int(s.unreadable)} searches ended without a mark; the track under the head holds "
         f"{int(s.buf_len)} bytes a turn, and {here} pass at the rate chosen.", command_words(s)],
        [f"Write {good[0]} ({written} kbit/s) to port {{rate}} before the command at {{pc}}."
         if good else "Choose the rate that the disk was written at."],
        int(s.start_t), mend if good else None)


def _turn_bytes(s: Any, d: Any, rate: int) -> int:
    """Give the MFM bytes of a turn at another rate."""
    return int(d.turn_num * s.unit_den[rate] // (d.turn_den * s.unit_num[rate])) // MFM_BYTE


COMMAND_R, RESULT_R = 4, 5  # where the sector's number stands in a command, and in its result
A_RESULT = 7  # bytes: a program that believes the transfer over takes so many data for a result


def overrun(m: Any, s: Any) -> Trouble | None:
    """Check for bytes that came or went too late."""
    if not ended_with(s, OVERRUN) or ran_on(s):
        return None
    num, den = int(s.unit_num[int(s.rate)]), int(s.unit_den[int(s.rate)])
    byte = MFM_BYTE * (2 if int(s.fm) else 1) * num / den
    limit = (27 if int(s.fm) else 13) * num / den
    found = Trouble(
        "data-overrun",
        f"the program is too slow for {{card}}: a byte comes every {byte:.4g} T-states and must "
        f"be taken within {limit:.4g}.",
        [f"{int(s.overruns)} overruns; the last came in the loop at {{at}} after "
         f"{int(s.bytes)} bytes of the sector.", command_words(s)],
        [f"Make the loop at {{at}} shorter than {byte:.4g} T-states a byte, with at most "
         f"{limit:.4g} from the request to the access, and keep interrupts off in it.",
         "Or use a lower data rate, a faster CPU clock, or a controller with a FIFO."],
        int(s.overrun_t), pc=int(s.overrun_pc), again="overruns")
    return replace(found, interrupted=replace(
        found, code="interrupted-transfer",
        summary="an interrupt came in the middle of a sector, and {handler} kept the CPU while a "
                "byte was lost.",
        evidence=["Between the last look at the controller and the overrun the CPU left {left} "
                  "for an interrupt and went to {handler}.", *found.evidence],
        remedy=["Put DI before the command and EI behind its results, round the loop at {left}; "
                "the tick catches up afterwards.",
                "Or make the handler shorter than the time that a byte may wait."]))


def ran_on(s: Any) -> bool:
    """Tell whether a transfer went on behind its last sector wanted: the overrun came at the
    beginning of another sector than the command's, and no line gives terminal count."""
    return ended_with(s, OVERRUN) and int(s.tc_from) == 0 and int(s.bytes) <= A_RESULT \
        and int(s.result[RESULT_R]) != int(s.command[COMMAND_R])


def no_terminal_count(m: Any, s: Any) -> Trouble | None:
    """Check for good transfers that end as if they were bad."""
    if ran_on(s):
        return Trouble(
            "missing-terminal-count",
            "nobody gave {card} terminal count behind the last byte wanted, so it went on to the "
            "next sector and ended with an overrun.",
            [command_words(s), f"{int(s.bytes)} bytes of sector {int(s.result[RESULT_R])} were "
             f"moved; the command began with sector {int(s.command[COMMAND_R])}."],
            ['Fit the line (terminal-count = "port" or a wire to {slot}.tc) and use it behind the '
             "last byte.", "Or give the last sector wanted as EOT, and take ST0 = 40h with "
             "ST1 = 80h for success."], int(s.overrun_t), again="overruns")
    if not ended_with(s, END_OF_CYLINDER) or int(s.result[0]) & 0xC0 != ABNORMAL \
            or int(s.result[1]) & 0x7F or int(s.result[2]):
        return None
    how = ("touch port {tc} behind the last byte" if int(s.tc_from) == 1 else
           "raise the wire that goes to {slot}.tc behind the last byte" if int(s.tc_from) == 2 else
           'fit the line (terminal-count = "port" or a wire to {slot}.tc)')
    gated = [] if not int(s.tc_missed) else [
        f"The wire at {{slot}}.tc rose {int(s.tc_missed)} times while DACK was high, where TC does "
        f"not count: have it high while the last byte is moved, or set tc-gate = \"open\"."]
    return Trouble(
        "missing-terminal-count",
        "the bytes from {card} were good, but nobody gave terminal count, so the command ended "
        "abnormally.",
        [command_words(s), f"{int(s.no_tc)} commands ran to the end of the cylinder: ST0 = 40h, "
         f"ST1 = 80h, and no other bit of ST1 and ST2.", *gated],
        ["Take ST0 = 40h with ST1 = 80h and ST2 = 00h for success where the result of {pc} is "
         "judged, as boards without the line must.", f"Or {how}."], int(s.start_t), again="no_tc")


def not_sensed(m: Any, s: Any) -> Trouble | None:
    """Check for a command that was refused because a seek's end had not been asked for."""
    owing = [n for n in range(DRIVES) if int(s.drive[n].ended) or int(s.drive[n].step_t) != FAR]
    if not int(s.unsensed) or not owing or int(s.result[0]) != INVALID:
        return None
    d = s.drive[owing[0]]
    return Trouble(
        "missing-sense",
        "{card} takes no other command until SENSE INTERRUPT has asked how the seek ended.",
        [f"The seek or recalibrate of {drive_name(owing[0])} ended (ST0 = {int(d.ended):02X}h "
         f"waits), and {int(s.unsensed)} commands behind it were refused as invalid: one result "
         f"byte, 80h.",
         f"The refused byte was {int(s.command[0]):02X}h, sent at {{pc}}."],
        ["Send SENSE INTERRUPT (08h) to port {data} and take its two result bytes behind every "
         "SEEK, RECALIBRATE and reset, before the command at {pc}."], int(s.ready_t), waiting=True)


def waits_for_busy_bit(m: Any, s: Any) -> Trouble | None:
    """Check for the busy bit of a drive whose seek has ended unasked."""
    ended = [n for n in range(DRIVES) if int(s.drive[n].ended)]
    if not ended or int(s.phase) != IDLE or not int(s.busy_until_sensed):
        return None

    def mend(m: Any, s: Any) -> None:
        s.busy_until_sensed = 0
        set_event(m, s)

    bits = sum(1 << n for n in ended)
    return Trouble(
        "missing-sense",
        f"the busy bit of {drive_name(ended[0])} at {{card}} stays 1 until SENSE INTERRUPT.",
        [f"The main status register (MSR) at {{status}} reads {0x80 | bits:02X}h: its low bits are "
         f"the drives whose seek nobody has asked about (ST0 = "
         f"{int(s.drive[ended[0]].ended):02X}h waits)."],
        ["Send SENSE INTERRUPT (08h) to port {data} first, again until bit 5 of ST0 is 1, and "
         "look at the busy bits behind it, if at all; {loop} waits for them before."],
        int(s.ready_t), mend)


def short_recalibrate(m: Any, s: Any) -> Trouble | None:
    """Check for a recalibrate that gave up on the way to track 0."""
    if int(s.op) not in (RECALIBRATE, 0x08) or int(s.results) != 2 \
            or int(s.result[0]) & (0xC0 | EQUIPMENT) != ABNORMAL | EQUIPMENT:
        return None
    number = int(s.result[0]) & 3
    d = s.drive[number]
    if not int(d.fitted) or int(d.pulsed) < PULSES:
        return None
    return Trouble(
        "recalibrate-short",
        f"one RECALIBRATE of {{card}} gives {int(d.pulses)} step pulses, and "
        f"{drive_name(number)} stood further from track 0.",
        [f"It ended with ST0 = {int(s.result[0]):02X}h (equipment check) after {int(d.pulsed)} "
         f"pulses; the head stands on cylinder {int(d.position)} now."],
        ["Send a second RECALIBRATE when the first ends with equipment check, before the drive is "
         "taken for broken (result taken at {pc})."], int(m.t))


def protected(m: Any, s: Any) -> Trouble | None:
    """Check for writing that the disk does not allow."""
    if not ended_with(s, NOT_WRITABLE) or not int(s.refused):
        return None
    number = int(s.used)

    def mend(_: Any, state: Any) -> None:
        state.drive[number].protected = 0

    return Trouble(
        "write-protected", f"the disk in {drive_name(number)} of {{card}} is write-protected.",
        [f"{int(s.refused)} writes or formats were refused with ST1 bit 1 (not writable).",
         command_words(s)],
        [f"Set write-protect = false in {drive_name(number)}, or take another disk.",
         "Let the program say so when bit 1 of ST1 is set, and not try again (command at {pc})."],
        int(m.t), mend)


def change_latched(m: Any, s: Any) -> Trouble | None:
    """Check for a disk-change line that nobody steps away."""
    number = int(s.output) & 3
    d = s.drive[number]
    if not (int(s.has_change) and int(d.fitted) and int(d.changed)):
        return None

    def mend(_: Any, state: Any) -> None:
        state.drive[number].changed = 0

    disk = "a disk is in it" if int(d.disk) else "no disk is in it"
    return Trouble(
        "disk-change-latched",
        f"the disk-change line of {drive_name(number)} at {{card}} stays active.",
        [f"Bit 7 of port {{rate}} reads 1 since the disk was put in or taken out; {disk}, and no "
         f"step pulse has come since."],
        [f"Step the head of {drive_name(number)} (SEEK to another cylinder, then back) with a "
         f"disk in it: only a step pulse clears the line."
         + ("" if int(d.disk) else " Put a disk in first (the drive's `medium`).")],
        int(m.t), mend)


def interrupt_unwired(m: Any, s: Any) -> Trouble | None:
    """Check for an interrupt that is asked for and leads nowhere."""
    if int(s.watched) or not int(s.int_pin) or int(s.phase) not in (IDLE, EXECUTION):
        return None
    return Trouble(
        "interrupt-unwired",
        "{card} asks for an interrupt, and the jumpers lead its INT nowhere.",
        ["INT of the controller is high: a seek, a command or a change of ready waits to be asked "
         "for; interrupt = false, nmi = false, and no wire begins at {slot}.int."],
        ["Set interrupt = true (mode 1), or wire {slot}.int to a trigger of a Z80 CTC for mode 2, "
         "or nmi = true.", "Or let the program poll port {status} instead of waiting at {loop}."],
        int(m.t), waiting=True)


CHECKS = (no_index, motor_slow, interrupt_unwired, change_latched, not_sensed,
          waits_for_busy_bit, wrong_rate, overrun, protected, short_recalibrate, no_terminal_count)


def troubles(m: Any, s: Any) -> list[Trouble]:
    """List what went wrong, the most telling first; nothing at one that nobody spoke to."""
    if not int(m.slot_reads[s.slot] + m.slot_writes[s.slot]):
        return []
    found = (check(m, s) for check in CHECKS)
    return [trouble for trouble in found if trouble is not None]
