"""Rules of interrupts: what a handler finds and leaves, returns, requests and their mask."""
from __future__ import annotations

import numpy as np

from emu.bus.state import (
    CHAINED_INTERRUPT,
    CONFLICT,
    NMI_FETCH,
    NOBODY,
    NOT_MINE,
    PAGES,
    READ,
    WRITE,
)
from emu.chronicle.flow_table import ED
from emu.chronicle.memory_rules import data_written
from emu.chronicle.notes import (
    address_of,
    data_of,
    kind_of,
    note,
    read_place,
    word_at,
    write_place,
)
from emu.chronicle.shadow import (
    ACK_CONFLICT,
    ACK_EMPTY,
    ENTERED,
    FRAMES,
    HANDLER_AGAIN,
    HANDLER_NOISE,
    INTERRUPTS_OFF,
    PAGE_LOST,
    REGISTER_LOST,
    REQUEST_WAITS,
    RETURN,
    RETURN_NOT_RETI,
    RETURN_STRANGE,
    VECTOR,
    VECTOR_ODD,
    WRITTEN,
)
from emu.native.jit import compiled

SAME_STACK = 128  # bytes within which two interrupts are one above the other
LOOK_EVERY = 4096  # T-states between looks at requests
RETI_CODE = ED * 256 + 0x4D


@compiled
def entered(m, s, first, t, pc):
    """Look at an interrupt's response: the acknowledge, the push, the pointer's two bytes."""
    word = word_at(m, first)
    nmi = kind_of(word) == NMI_FETCH
    driver = (word >> 36) & 0xFF
    vector = data_of(word)
    slot = np.int64(-1) if nmi else (driver - 1 if driver != NOBODY and driver < 254
                                     else np.int64(-2))
    if not nmi and driver == CONFLICT:
        note(m, s, ACK_CONFLICT, t, pc, vector, m.im, vector)
    if not nmi and m.im != 1 and driver == NOBODY:
        note(m, s, ACK_EMPTY, t, pc, vector, m.im, m.im)
    if not nmi and m.im == 2 and vector & 1 != 0 and driver != NOBODY:
        note(m, s, VECTOR_ODD, t, pc, vector, slot, vector)
    low = np.int64(-1)
    for k in range(first + 1, m.log_pos):
        entry = word_at(m, k)
        kind, address = kind_of(entry), address_of(entry)
        if kind == WRITE:
            data_written(m, s, t, pc, address, data_of(entry), np.int64(ENTERED), 0)
            low = address
        elif kind == READ and m.im == 2:
            place = read_place(s, address)
            if place >= 0:
                if np.int64(s.byte[np.uint64(place)]) & WRITTEN == 0:
                    note(m, s, HANDLER_NOISE, t, pc, address, slot, vector)
                s.byte[np.uint64(place)] |= VECTOR
            elif place == NOT_MINE:
                note(m, s, HANDLER_NOISE, t, pc, address, slot, vector)
    if low < 0:
        return np.int64(0)
    if slot >= 0:
        s.entries[slot] += 1
    open_frame(m, s, low, t, pc, slot, vector)
    return np.int64(0)


@compiled
def open_frame(m, s, low, t, pc, slot, vector):
    """Remember the CPU as an interrupt found it, by where its return address stands."""
    at = write_place(s, low)
    for k in range(s.frames):
        above = s.frame_sp[k] - low
        if s.frame_handler[k] == m.pc and 0 < above < SAME_STACK and s.frame_at[k] >= 0 \
                and np.int64(s.byte[np.uint64(s.frame_at[k])]) & ENTERED != 0:
            note(m, s, HANDLER_AGAIN, t, pc, m.pc, slot, m.pc)
            break
    row = np.int64(-1)
    for k in range(s.frames):
        if s.frame_at[k] == at:
            row = np.int64(k)
            break
    if row < 0:
        if s.frames < FRAMES:
            row = s.frames
            s.frames += 1
        else:  # the oldest gives way
            row = np.int64(0)
            for k in range(1, FRAMES):
                if s.frame_t[k] < s.frame_t[row]:
                    row = np.int64(k)
    s.frame_at[row] = at
    s.frame_sp[row] = low
    s.frame_t[row] = t
    s.frame_slot[row] = slot
    s.frame_vector[row] = vector
    s.frame_handler[row] = m.pc
    s.frame_pc[row] = pc
    s.frame_reti[row] = 0
    for k in range(12):
        s.frame_r[row, k] = m.r[k]
    for k in range(8):
        s.frame_alt[row, k] = m.alt[k]
    for k in range(PAGES):
        s.frame_map[row, k] = m.read_base_true[k]
    return np.int64(0)


@compiled
def close_frame(m, s, row, t, pc, code):
    """Hold the CPU against what it was when the interrupt came."""
    handler, slot = s.frame_handler[row], s.frame_slot[row]
    lost = np.int64(0)
    for k in range(12):
        if m.r[k] != s.frame_r[row, k]:
            lost |= np.int64(1) << k
    for k in range(8):
        if m.alt[k] != s.frame_alt[row, k]:
            lost |= np.int64(1) << (16 + k)
    if lost != 0:
        note(m, s, REGISTER_LOST, t, pc, lost, handler, handler)
    pages = np.int64(0)
    for k in range(PAGES):
        if m.read_base_true[k] != s.frame_map[row, k]:
            pages |= np.int64(1) << k
    if pages != 0:
        note(m, s, PAGE_LOST, t, pc, pages, handler, handler)
    if slot >= 0:
        s.ends[slot] += 1
        if (m.int_kind[slot] == CHAINED_INTERRUPT and code != RETI_CODE
                and s.frame_reti[row] == 0):
            note(m, s, RETURN_NOT_RETI, t, pc, slot, handler, handler)
    s.frames -= 1
    last = s.frames
    if row != last:
        s.frame_at[row] = s.frame_at[last]
        s.frame_sp[row] = s.frame_sp[last]
        s.frame_t[row] = s.frame_t[last]
        s.frame_slot[row] = s.frame_slot[last]
        s.frame_vector[row] = s.frame_vector[last]
        s.frame_handler[row] = s.frame_handler[last]
        s.frame_pc[row] = s.frame_pc[last]
        s.frame_reti[row] = s.frame_reti[last]
        for k in range(12):
            s.frame_r[row, k] = s.frame_r[last, k]
        for k in range(8):
            s.frame_alt[row, k] = s.frame_alt[last, k]
        for k in range(PAGES):
            s.frame_map[row, k] = s.frame_map[last, k]
    return np.int64(0)


@compiled
def returned(m, s, t, pc, code, address, value):
    """Look at a return: whose address did it take?"""
    place = read_place(s, address)
    if place < 0:
        return np.int64(0)
    at = np.uint64(place)
    known = np.int64(s.byte[at])
    if known & ENTERED != 0:
        for k in range(s.frames):
            if s.frame_at[k] == place:
                close_frame(m, s, np.int64(k), t, pc, code)
                break
        s.byte[at] = known & ~(RETURN | ENTERED)
        return np.int64(0)
    if code == RETI_CODE:  # a handler may give RETI long before it ends
        newest = np.int64(-1)
        for k in range(s.frames):
            if newest < 0 or s.frame_t[k] > s.frame_t[newest]:
                newest = np.int64(k)
        if newest >= 0:
            s.frame_reti[newest] = 1
    if known & RETURN == 0:
        note(m, s, RETURN_STRANGE, t, pc, value, np.int64(s.writer_pc[at]), pc)
    s.byte[at] = known & ~(RETURN | ENTERED)
    return np.int64(0)


@compiled
def look_at_lines(m, s, t, pc):
    """Look at interrupts that are off, and at requests that nobody answers, for long."""
    if m.iff1 == 1:
        s.ei_seen = 1
        s.off_since = 0
    elif s.off_since == 0:
        s.off_since = t
        s.off_pc = pc
        s.off_next = m.pc
    elif s.ei_seen == 1 and t - s.off_since > s.off_limit:
        note(m, s, INTERRUPTS_OFF, s.off_since, s.off_pc, pc, s.off_next, s.off_pc)
    if t < s.look_t:
        return np.int64(0)
    s.look_t = t + LOOK_EVERY
    for slot in range(m.slots):
        if m.ip[slot] == 0:
            s.asked_since[slot] = 0
        elif s.asked_since[slot] == 0:
            s.asked_since[slot] = t
        elif t - s.asked_since[slot] > s.off_limit:
            note(m, s, REQUEST_WAITS, s.asked_since[slot], pc, slot, m.ip[slot], slot)
    return np.int64(0)
