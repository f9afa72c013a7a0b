"""What all parts of the controller share: its INT pin, its phases, and the account of time."""
from __future__ import annotations

import numpy as np

from emu.bus.chain import fall_nmi
from emu.bus.state import FAR
from emu.bus.wires import drive_level
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_state import (
    BYTE_INT,
    CB,
    CPU_WAIT,
    DIO,
    DRIVES,
    DRQ_OUTPUT,
    EXECUTION,
    FORMAT,
    IDLE,
    INT_OUTPUT,
    MOTOR,
    NDM,
    NO_STAGE,
    RESULT,
    RESULT_INT,
    RQM,
    SCAN_EQ,
    SCAN_HIGH,
    SCAN_LOW,
    SEEKING,
    UNUSED,
    WRITE_DATA,
    WRITE_DELETED,
    units,
)

RUN, GATE = 0x04, 0x08  # bits of the output register


@inlined
def drives_ask(s):
    """Tell whether a seek or a change of ready waits for sense interrupt."""
    asks = False
    for number in range(DRIVES):
        if s.drive[number].ended != 0 or s.drive[number].ready_event == 1:
            asks = True
    return asks


@compiled
def show_int(m, s, t):
    """Put the INT pin where it belongs, and pass it on as the jumpers say."""
    asks = s.int_cause != 0 or (s.phase != EXECUTION and drives_ask(s))
    level = np.int64(1) if asks and (s.output & GATE) != 0 else np.int64(0)
    if level == s.int_pin:
        return
    s.int_pin = level
    if s.wired_int == 1:
        m.ip[s.slot] = level
        m.irq_dirty = 1
    if s.wired_nmi == 1 and level == 1:
        fall_nmi(m, t)
    drive_level(m, s.slot, INT_OUTPUT, level, t)


@compiled
def show_drq(m, s, level, t):
    """Raise or drop DRQ; the output register gates it as it does INT."""
    s.drq = level
    seen = level if (s.output & GATE) != 0 else np.int64(0)
    drive_level(m, s.slot, DRQ_OUTPUT, seen, t)


@compiled
def drop_drq(m, s, t):
    """Ask for no byte any more."""
    s.drq_t = FAR
    if s.drq == 1:
        show_drq(m, s, np.int64(0), t)


@inlined
def offer(s, first):
    """Ask for a byte from T-state ``first`` on: by RQM and INT, or by DRQ."""
    if s.no_dma == 1:
        s.ready_t = first
        s.int_t = first if s.watched == 1 else FAR
    else:
        s.ready_t = FAR
        s.int_t = FAR
        s.drq_t = first if s.has_dma == 1 else FAR


@inlined
def writes(s):
    """Tell whether the command writes sectors."""
    return s.op == WRITE_DATA or s.op == WRITE_DELETED


@inlined
def scans(s):
    """Tell whether the command compares sectors."""
    return s.op == SCAN_EQ or s.op == SCAN_LOW or s.op == SCAN_HIGH


@inlined
def from_disk(s):
    """Tell whether the execution phase hands bytes to the CPU."""
    return not (writes(s) or scans(s) or s.op == FORMAT)


@inlined
def status(s, t):
    """Give the main status register."""
    if t < s.ready_t or (s.output & RUN) == 0:
        return s.msr
    return s.msr | RQM


@compiled
def set_event(m, s):
    """Work out the card's next event, and what the main status register shows until then."""
    soonest = min(min(s.event_t, s.poll_t), min(s.int_t, s.drq_t))
    status = np.int64(CB) if s.phase != IDLE else np.int64(0)
    for number in range(DRIVES):
        due = s.drive[number].step_t
        soonest = min(soonest, due)
        if due != FAR or (s.busy_until_sensed == 1 and s.drive[number].ended != 0):
            status |= 1 << number
    if s.phase == EXECUTION and s.no_dma == 1:
        status |= NDM
    if s.phase == RESULT or ((status & NDM) != 0 and from_disk(s)):
        status |= DIO
    s.msr = status
    m.event_t[s.slot] = soonest


# --- the account of time ------------------------------------------------------------------
@inlined
def seeking(s):
    """Tell whether a drive is seeking."""
    found = False
    for number in range(DRIVES):
        if s.drive[number].step_t != FAR:
            found = True
    return found


@compiled
def spun_up(s, t):
    """Give how much of the time since the last entry a motor was still gaining speed."""
    longest = np.int64(0)
    for number in range(DRIVES):
        d = s.drive[number]
        if d.motor == 1:
            begin = max(s.doing_t, d.spun_t - d.spin)
            longest = max(longest, min(t, d.spun_t) - begin)
    return longest


@compiled
def note(s, category, t):
    """Lookup the time up to ``t``, and say what it goes to from now on.

    Time without a command is the CPU's while it is short; a motor's start goes before it.
    """
    passed = t - s.doing_t
    if s.doing == CPU_WAIT or s.doing == UNUSED or s.doing == MOTOR:
        up = spun_up(s, t)
        s.spent[MOTOR] += up
        passed -= up
    if s.doing == CPU_WAIT and passed > 2 * s.drive[0].turn_num // s.drive[0].turn_den:
        s.doing = UNUSED
    s.spent[s.doing] += passed
    s.doing = category
    s.doing_t = t


@inlined
def note_pause(s, t):
    """Lookup that the controller has nothing to do but perhaps a seek."""
    note(s, np.int64(SEEKING) if seeking(s) else np.int64(CPU_WAIT), t)


# --- phases -------------------------------------------------------------------------------
@compiled
def go_idle(m, s, t):
    """Wait for a command."""
    drop_drq(m, s, t)
    s.phase = IDLE
    s.stage = NO_STAGE
    s.taken = 0
    s.event_t = FAR
    s.int_t = FAR
    show_int(m, s, t)


@compiled
def give_results(m, s, count, t):
    """Go to the result phase with so many bytes in ``result``."""
    drop_drq(m, s, t)
    s.phase = RESULT
    s.stage = NO_STAGE
    s.results = count
    s.given = 0
    s.event_t = FAR
    s.int_t = FAR
    s.int_cause &= ~BYTE_INT
    s.ready_t = t


@compiled
def finish(m, s, code, t):
    """End a command of the execution phase: seven result bytes, and INT."""
    s.st0 = code | s.side << 2 | s.unit_drive
    s.result[0] = s.st0
    s.result[1] = s.st1
    s.result[2] = s.st2
    s.result[3] = s.c
    s.result[4] = s.h
    s.result[5] = s.r
    s.result[6] = s.n
    s.drive[s.unit_drive].loaded_t = t + units(s, s.unload)
    give_results(m, s, np.int64(7), t)
    s.int_cause |= RESULT_INT
    show_int(m, s, t)
    note_pause(s, t)
