"""The floppy in words: the chip's state, the drives, and where the time went."""
from __future__ import annotations

from typing import Any

from emu.bus.state import FAR
from peripherals.card import Margin
from peripherals.fdc_765_media import NAMES
from peripherals.fdc_765_state import (
    COMMAND,
    CPU_WAIT,
    DRIVES,
    EXECUTION,
    MOTOR,
    MOVING,
    RESULT,
    ROTATION,
    SEEKING,
    STUCK,
)

SPENT = ((MOTOR, "motor"), (SEEKING, "seek"), (ROTATION, "rotation"), (MOVING, "transfer"),
         (CPU_WAIT, "waiting for the CPU"))
COMMANDS = {
    0x02: "READ TRACK", 0x05: "WRITE DATA", 0x06: "READ DATA", 0x09: "WRITE DELETED DATA",
    0x0A: "READ ID", 0x0C: "READ DELETED DATA", 0x0D: "FORMAT", 0x11: "SCAN EQUAL",
    0x19: "SCAN LOW OR EQUAL", 0x1D: "SCAN HIGH OR EQUAL"}
RATES = ("500", "300", "250", "1000")
RUN = 0x04


def margins(_: Any, s: Any) -> list[Margin]:
    """Tell how long the program took to move a byte, at the tightest, of the time it had."""
    if not int(s.tight_limit):
        return []
    return [Margin("byte service", int(s.tight_limit), int(s.tight))]


def risks(_: Any, s: Any) -> list[str]:
    """Tell of bytes that the program was too slow for, and of what leans on an open point."""
    out = []
    if s.overruns:
        out.append(f"{int(s.overruns)} overruns, the last with the program near "
                   f"{int(s.overrun_pc):04X}h")
    if s.headed:
        out.append(f"{int(s.headed)} seeks with the head's bit set: whether it comes back in ST0 "
                   f"is unsettled (jumper seek-head), so mask ST0 with F3h")
    return out


def seconds(s: Any, t: int) -> float:
    """Give T-states as seconds, by the first drive's turn."""
    return t / hertz(s)


def hertz(s: Any) -> float:
    """Give the CPU clock: 1000 units take 1 ms at 500 kbit/s."""
    return float(s.unit_num[0]) / float(s.unit_den[0]) * 1e6


def interleave(s: Any) -> int:
    """Give the least interleave that gives the driver its time between two sectors."""
    over = max(int(s.gap_max) - int(s.slack), 0)
    return 1 + -(-over // max(int(s.pitch), 1))


def _chip(m: Any, s: Any) -> str:
    if not int(s.output) & RUN:
        return f"held in reset: the output register holds {int(s.output):02X}h"
    if s.phase == COMMAND:
        return f"waits for byte {int(s.taken) + 1} of a command of {int(s.length)}"
    if s.phase == EXECUTION:
        name = COMMANDS[int(s.op)]
        if s.stage == STUCK:
            return f"{name} waits for index pulses that do not come: {_why(s)}"
        return f"{name} under way: C {int(s.c)} H {int(s.h)} R {int(s.r)} N {int(s.n)}"
    if s.phase == RESULT:
        return (f"waits for {int(s.results) - int(s.given)} of {int(s.results)} result bytes to "
                f"be read, ST0 {int(s.result[0]):02X}h")
    return "idle"


def _why(s: Any) -> str:
    d = s.drive[int(s.used)]
    if not d.fitted:
        return f"{NAMES[int(s.used)]} is not fitted"
    return f"{NAMES[int(s.used)]} has no disk" if not d.disk else \
        f"the motor of {NAMES[int(s.used)]} is off"


def _drive(m: Any, s: Any, number: int) -> str:
    d = s.drive[number]
    motor = ("motor off" if int(d.spun_t) == FAR
             else "turning" if int(d.spun_t) <= int(m.t) else "motor gaining speed")
    words = [motor, f"head at cylinder {int(d.position)}"]
    if int(d.position) != int(d.pcn):
        words.append(f"which the chip takes for {int(d.pcn)}")
    words.append("no disk" if not d.disk else
                 "write-protected disk" if d.protected else "disk in")
    if d.lost_steps:
        words.append(f"{int(d.lost_steps)} of {int(d.steps)} step pulses came too fast and were "
                     f"lost")
    if d.ended or d.ready_event:
        words.append("a result waits for SENSE INTERRUPT")
    return f"{NAMES[number]}: {', '.join(words)}"


def _troubles(s: Any) -> list[str]:
    pairs = (
        (s.no_tc, "commands ended behind the last sector for want of terminal count"),
        (s.tc_missed, "rises of TC while DACK was high, which do not count"),
        (s.unreadable, "searches found no such sector in two turns"),
        (s.refused, "writes to a write-protected disk"),
        (s.unsensed, "commands refused for want of SENSE INTERRUPT"),
        (s.early, "accesses of the data register without RQM"))
    return risks(None, s) + [f"{int(count)} {what}" for count, what in pairs if count]


def _times(s: Any) -> list[str]:
    spent = [int(x) for x in s.spent]
    if not any(spent[which] for which, _ in SPENT):
        return []
    words = ", ".join(f"{name} {seconds(s, spent[which]):.3g} s" for which, name in SPENT)
    out = [f"floppy time: {words}"]
    if int(s.missed) * 2 > int(s.pairs) > 3:
        out.append(
            f"{int(s.missed)} of {int(s.pairs)} sectors in order missed their turn: the driver "
            f"takes up to {seconds(s, int(s.gap_max)) * 1e3:.3g} ms from one to the next, but the "
            f"next ID comes after {seconds(s, int(s.slack)) * 1e3:.3g} ms; interleave "
            f"{interleave(s)} would fit")
    return out


def describe(m: Any, s: Any) -> list[str]:
    """Give the controller, its drives and the account of time in words."""
    rate = RATES[int(s.rate)]
    out = [f"{_chip(m, s)}; {rate} kbit/s, "
           + ("no DMA" if s.no_dma else "set up for DMA" if s.has_dma else
              "set up for DMA, which this card has not")
           + ("" if s.specified else " (SPECIFY has not come)")]
    done = [f"{int(n)} {what}" for n, what in (
        (s.reads, "sectors or IDs read"), (s.writes, "sectors written"),
        (s.formats, "tracks formatted"), (s.seeks, "seeks")) if n]
    if done:
        out.append(", ".join(done))
    out += [_drive(m, s, k) for k in range(DRIVES) if s.drive[k].fitted]
    return out + _troubles(s) + _times(s)
