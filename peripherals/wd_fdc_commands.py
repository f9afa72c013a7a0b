"""The commands of a WD177x/279x-type controller: how they begin, steps, forced interrupts."""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_drive import index_before, pulse, set_motor, turning
from peripherals.wd_fdc_search import WRITE_TRACK, go_to_track, is_write
from peripherals.wd_fdc_state import (
    BUSY,
    HIGH,
    INDEX,
    LOST,
    NO_STAGE,
    NOT_FOUND,
    ONE,
    PROTECTED,
    RECORD,
    SETTLING,
    SPIN_TURNS,
    SPINNING,
    STEPPING,
    STUCK,
    THREE,
    TWO,
    WD1772,
    WD1793,
    finish,
    ms,
    set_drq,
    set_intrq,
)

RESTORE_PULSES = 255
# Milliseconds of a step by the command's bits 1-0, at 250 kbit/s.
STEPS = (6, 12, 20, 30)
STEPS_1772 = (6, 12, 2, 3)


@inlined
def ready(s, t):
    """Tell whether the selected drive is ready: a disk at speed (READY of the 1793)."""
    return turning(s.drive[s.used], t)


@compiled
def status_now(s, t):
    """Give the status register as it stands."""
    d = s.drive[s.used]
    value = s.status | (BUSY if s.busy == 1 else 0)
    if s.type_one == 1:
        if turning(d, t) and t - index_before(d, t) < ms(s, np.int64(4)):
            value |= INDEX
        if d.fitted == 1 and d.position == 0:
            value |= LOST  # the same bit: track 0
        if d.disk == 1 and d.protected == 1:
            value |= PROTECTED
        if s.chip == WD1793 or d.spun_t <= t:
            value |= RECORD  # head loaded, or spin-up over
    elif s.drq == 1:
        value |= INDEX  # the same bit: data request
    if s.chip == WD1793:
        return value if ready(s, t) else value | HIGH
    return value | HIGH if d.motor == 1 else value


@inlined
def step_time(s):
    """Give the T-states of a step."""
    code = s.command & 3
    return ms(s, np.int64(STEPS_1772[code] if s.chip == WD1772 else STEPS[code]))


@inlined
def settle_time(s):
    """Give the T-states that a head has to settle: 15 ms on a 1772, 30 on the others."""
    return ms(s, np.int64(15 if s.chip == WD1772 else 30))


@compiled
def begin_command(m, s, byte, t):
    """Take a command; while another is under way it is lost."""
    if s.busy == 1:
        if s.ignored == 0:
            s.ignored_t = t
        s.ignored += 1
        return
    set_intrq(m, s, np.int64(0), t)
    set_drq(m, s, np.int64(0), t)
    s.held_intrq = 0
    s.pulse_t = FAR
    s.command = byte
    s.commands += 1
    s.command_t = t
    s.busy = 1
    s.status = 0
    s.motor_t = FAR
    s.kind = np.int64(ONE) if byte < 0x80 else np.int64(TWO) if byte < 0xC0 else np.int64(THREE)
    s.type_one = 1 if s.kind == ONE else 0
    if s.chip == WD1793:
        start(m, s, t)
        return
    d = s.drive[s.used]
    if d.motor == 0:
        s.spun_up = 0
    set_motor(d, np.int64(1), t)
    if s.spun_up == 0 and (byte & 8) == 0:
        s.stage = SPINNING
        s.event_t = FAR
        if d.disk == 1 and d.fitted == 1:
            s.event_t = max(d.spun_t, t) + SPIN_TURNS * d.turn_num // d.turn_den
    else:
        start(m, s, t)


@compiled
def start(m, s, t):
    """The motor counts as turning: do what the command is about."""
    if s.stage == SPINNING:
        s.spun_up = 1
    if s.kind == ONE:
        start_moving(m, s, t)
        return
    if s.chip == WD1793 and not ready(s, t):
        s.unready += 1
        s.unready_t = t
        s.unready_now = 1
        s.unready_command = s.command
        finish(m, s, t)
        return
    s.unready_now = 0
    writes = is_write(s) or s.command & 0xF0 == WRITE_TRACK
    d = s.drive[s.used]
    if writes and d.disk == 1 and d.protected == 1:
        s.status |= PROTECTED
        s.refused += 1
        s.refused_t = t
        s.refused_now = 1
        s.refused_command = s.command
        finish(m, s, t)
        return
    if writes:
        s.refused_now = 0
    if s.command & 0xF0 == WRITE_TRACK:
        set_drq(m, s, np.int64(1), t)
    wait = settle_time(s) if (s.command & 4) != 0 else np.int64(0)
    if wait > 0:
        s.stage = SETTLING
        s.event_t = t + wait
    else:
        go_to_track(m, s, t, t)


# --- type I: moving the head ----------------------------------------------------------------
@compiled
def start_moving(m, s, t):
    """Begin to step: RESTORE, SEEK, STEP, STEP IN, STEP OUT."""
    s.steps = 0
    code = s.command >> 5
    if code == 0 and (s.command & 0x10) == 0:
        s.track = 0xFF
        s.dr = 0
    elif code == 2:
        s.inward = 1
    elif code == 3:
        s.inward = 0
    s.stage = STEPPING
    s.event_t = t + 1
    if code == 0:
        go_on_moving(m, s, t)
    else:
        one_step(s, t)


@compiled
def one_step(s, t):
    """Give a pulse, and count it in the track register if the command says so."""
    pulse(s.drive[s.used], s.inward, t)
    s.steps += 1
    code = s.command >> 5
    if code == 0 or (s.command & 0x10) != 0:
        s.track = (s.track + (1 if s.inward == 1 else -1)) & 0xFF
    s.event_t = t + step_time(s)


@compiled
def go_on_moving(m, s, t):
    """Step on, or end when the head is there."""
    if (s.command >> 5) != 0:
        arrived(m, s, t)
        return
    d = s.drive[s.used]
    restores = (s.command & 0x10) == 0
    s.inward = 1 if s.dr > s.track else 0
    at_zero = d.fitted == 1 and d.position == 0
    if s.inward == 0 and at_zero and (restores or s.track != s.dr):
        if restores or s.dr == 0:
            s.track = 0
            arrived(m, s, t)
            return
    if s.track == s.dr:
        arrived(m, s, t)
    elif restores and s.steps >= RESTORE_PULSES:
        s.status |= NOT_FOUND
        finish(m, s, t)
    else:
        one_step(s, t)


@compiled
def arrived(m, s, t):
    """The head is where it should be: verify, or end."""
    if (s.command & 4) == 0:
        finish(m, s, t)
        return
    if s.chip == WD1793 and not ready(s, t):
        s.stage = STUCK  # it waits for an index
        s.event_t = FAR
        return
    s.stage = SETTLING
    s.event_t = t + settle_time(s)


# --- forced interrupts ------------------------------------------------------------------------
@compiled
def force(m, s, byte, t):
    """Break off what is under way; the low bits say what raises INTRQ from now on."""
    if s.busy == 1:
        s.busy = 0
        s.stage = NO_STAGE
        s.event_t = FAR
    else:
        s.status = 0
        s.type_one = 1
    set_drq(m, s, np.int64(0), t)
    s.held_intrq = 0
    s.pulse_t = FAR
    set_intrq(m, s, np.int64(0), t)
    if (byte & 8) != 0:
        s.held_intrq = 1
        set_intrq(m, s, np.int64(1), t)
    if (byte & 4) != 0:
        next_pulse(s, t)


@compiled
def next_pulse(s, t):
    """Work out when the next index pulse comes."""
    d = s.drive[s.used]
    s.pulse_t = FAR
    if turning(d, t):
        index_before(d, t)
        s.pulse_t = d.index_t + (d.index_rem + d.turn_num) // d.turn_den + 1
