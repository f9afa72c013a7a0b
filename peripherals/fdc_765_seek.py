"""Seek, recalibrate, sense interrupt, and polling the ready lines.

Seeks run beside one another: the chip is not busy with them.  A step pulse comes every
step time of SPECIFY and goes to whatever drive the wiring selects then.  A drive's busy bit
stands until SENSE INTERRUPT has taken the end of its seek (data sheets of the later parts:
"otherwise the drive continues to be busy"; of the early ones 80 %, from memory).  The head in
ST0 behind a seek is 0; of the early parts that is unsettled (jumper seek-head).
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_chip import note, note_pause, show_int
from peripherals.fdc_765_drive import is_ready, pulse, selected
from peripherals.fdc_765_fifo import NO_POLLING
from peripherals.fdc_765_state import (
    ABNORMAL,
    BYTE_PAUSE,
    DRIVES,
    EQUIPMENT,
    FIRST_POLL,
    HEAD,
    IDLE,
    NOT_READY,
    READY_CHANGE,
    SEEK,
    SEEK_END,
    SEEKING,
    units,
)

SEEK_PULSES = -1  # value of ``pulses``: a seek, not a recalibrate


@inlined
def next_pulse(s, d):
    """Say when the next step pulse is due."""
    d.step_t = d.seek_t + units(s, (d.pulsed + 1) * s.step_rate)


@compiled
def end_seek(m, s, number, code, t):
    """End a seek or recalibrate: its result waits for sense interrupt."""
    d = s.drive[number]
    d.step_t = FAR
    d.ended = SEEK_END | code | number
    if d.head == 1 and s.has_fifo == 0:
        s.headed += 1
        d.ended |= HEAD if s.head_sent == 1 else 0
    if s.doing == SEEKING:
        note_pause(s, t)
    show_int(m, s, t)


@compiled
def start_seek(m, s, number, target, pulses, t):
    """Begin a seek (``pulses`` SEEK_PULSES) or a recalibrate of so many pulses at most."""
    d = s.drive[number]
    s.seeks += 1
    note(s, np.int64(SEEKING), t)
    d.target = target
    d.pulses = pulses
    d.head = (np.int64(s.command[1]) >> 2) & 1 if s.op == SEEK else np.int64(0)
    d.seek_t = t
    d.pulsed = 0
    d.ended = 0
    next_pulse(s, d)
    if is_ready(s, selected(s, number), t) == 0 or arrived(s, number):
        d.step_t = t + units(s, np.int64(BYTE_PAUSE))


@inlined
def arrived(s, number):
    """Tell whether no further pulse is needed."""
    d = s.drive[number]
    if d.pulses == SEEK_PULSES:
        return d.pcn == d.target
    under = s.drive[selected(s, number)]
    return under.fitted == 1 and under.position == 0


@compiled
def step(m, s, number, t):
    """Do what a seek has due: a pulse, or its end."""
    d = s.drive[number]
    if is_ready(s, selected(s, number), t) == 0:
        end_seek(m, s, number, ABNORMAL | NOT_READY, t)
        return
    if not arrived(s, number):
        inward = np.int64(1) if d.pulses == SEEK_PULSES and d.target > d.pcn else np.int64(0)
        pulse(s.drive[selected(s, number)], inward, t)
        d.pulsed += 1
        if d.pulses == SEEK_PULSES:
            d.pcn += 1 if inward == 1 else -1
        elif d.pulsed == d.pulses and not arrived(s, number):
            d.pcn = 0
            end_seek(m, s, number, ABNORMAL | EQUIPMENT, t)
            return
    if not arrived(s, number):
        next_pulse(s, d)
        return
    if d.pulses != SEEK_PULSES:
        d.pcn = 0
    end_seek(m, s, number, np.int64(0), t)


@compiled
def take_interrupt(s):
    """Take the lowest drive's waiting result: ST0 | PCN << 8, or -1 when none waits."""
    for number in range(DRIVES):
        d = s.drive[number]
        if d.ended != 0:
            code = d.ended
            d.ended = 0
            return np.int64(code | d.pcn << 8)
        if d.ready_event == 1:
            d.ready_event = 0
            return np.int64(READY_CHANGE | number | d.pcn << 8)
    return np.int64(-1)


@compiled
def poll(m, s, t):
    """Look at the ready lines, as the chip does while it is idle, and say when again."""
    s.poll_t = FAR
    if s.has_fifo == 1 and (s.config & NO_POLLING) != 0:
        return
    if s.phase != IDLE:
        s.poll_t = t + units(s, np.int64(FIRST_POLL))
        return
    for number in range(DRIVES):
        d = s.drive[number]
        ready = is_ready(s, number, t)
        if ready != d.ready:
            d.ready = ready
            d.ready_event = 1
        if s.ready_tied == 0 and d.fitted == 1 and d.disk == 1 and d.spun_t > t:
            s.poll_t = min(s.poll_t, d.spun_t)
    show_int(m, s, t)
