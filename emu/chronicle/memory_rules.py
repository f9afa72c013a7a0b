"""Rules of memory: what is fetched, read and written, held against the shadow."""
from __future__ import annotations

import numpy as np

from emu.bus.state import CALL, NOT_MINE, ROM
from emu.chronicle.notes import note, read_place, write_place
from emu.chronicle.shadow import (
    CODE_PUSH,
    CODE_WRITE,
    EMPTY_CODE,
    EMPTY_READ,
    EMPTY_WRITE,
    ENTERED,
    EXCHANGED,
    EXECUTED,
    NOISE,
    NOISE_CODE,
    NOISE_READ,
    PUSH_LOST,
    PUSH_OVER_DATA,
    PUSHED,
    RAM_CHANGED,
    RETURN,
    RETURN_WRITE,
    ROM_WRITE,
    STORED,
    VECTOR,
    VECTOR_WRITE,
    WRITTEN,
)
from emu.native.jit import compiled

STACK_REACH = 256  # bytes above SP in which a store counts as one to a local variable
STORES = STORED | PUSHED | RETURN | ENTERED  # a byte that the CPU itself has written


@compiled
def fetched(m, s, t, pc, address):
    """Look at a byte that was fetched as code."""
    place = read_place(s, address)
    if place < 0:
        if place == NOT_MINE:
            note(m, s, EMPTY_CODE, t, pc, address, s.last_pc, address >> 12)
        return np.int64(0)
    known = np.int64(s.byte[np.uint64(place)])
    if known & EXECUTED == 0:
        if known & WRITTEN == 0:
            note(m, s, NOISE_CODE, t, pc, address, s.last_pc, address >> 8)
        s.byte[np.uint64(place)] = known | EXECUTED
    return np.int64(0)


@compiled
def data_read(m, s, t, pc, address, value, looked):
    """Look at a byte that was read as data; 1 when it is noise.

    ``looked``: 0 for a byte that is only moved on, as a fill does with the byte before.
    """
    place = read_place(s, address)
    if place < 0:
        if place == NOT_MINE:
            note(m, s, EMPTY_READ, t, pc, address, s.last_pc, pc)
        return np.int64(0)
    if looked != 0:
        s.reader_t[np.uint64(place)] = t
        s.reader_stack[np.uint64(place)] = write_place(s, m.sp)
    known = np.int64(s.byte[np.uint64(place)])
    if known & STORES != 0 and value != np.int64(s.value[np.uint64(place)]):
        note(m, s, RAM_CHANGED, t, pc, address, value, pc)
        s.value[np.uint64(place)] = value
    if known & WRITTEN == 0:
        note(m, s, NOISE_READ, t, pc, address, place, pc)
        return np.int64(1)
    return np.int64(1) if known & NOISE != 0 else np.int64(0)


@compiled
def data_written(m, s, t, pc, address, value, how, noise):
    """Look at a byte that was written; ``how``: STORED, PUSHED, RETURN, ENTERED or EXCHANGED."""
    place = write_place(s, address)
    pushed = how != STORED and how != EXCHANGED
    if place < 0:
        if place == ROM or place == NOT_MINE:
            kind = np.int64(ROM_WRITE) if place == ROM else np.int64(EMPTY_WRITE)
            if pushed:
                kind = np.int64(PUSH_LOST)
            note(m, s, kind, t, pc, address, value, pc)
        elif pushed and place == CALL and read_place(s, address) >= 0:  # a chip that is programmed
            note(m, s, PUSH_LOST, t, pc, address, value, pc)
        return np.int64(0)
    at = np.uint64(place)
    known = np.int64(s.byte[at])
    if pushed:
        if known & EXECUTED != 0:
            note(m, s, CODE_PUSH, t, pc, address, value, address >> 6)
        elif known & STORED != 0 and s.reader_t[at] > s.writer_t[at]:
            note(m, s, PUSH_OVER_DATA, t, pc, address, np.int64(s.writer_pc[at]), address >> 5)
    else:
        above = address - m.sp
        if known & EXECUTED != 0:
            note(m, s, CODE_WRITE, t, pc, address, value, pc)
        if how == EXCHANGED:
            how = np.int64(known & (RETURN | ENTERED) | PUSHED)
        elif known & (RETURN | ENTERED) != 0 and above >= 0 and above < 4 * STACK_REACH:
            note(m, s, RETURN_WRITE, t, pc, address, np.int64(s.writer_pc[at]), pc)
        if how == STORED and above >= 0 and above < STACK_REACH:
            how = np.int64(PUSHED)
    if known & VECTOR != 0:
        note(m, s, VECTOR_WRITE, t, pc, address, value, pc)
    s.byte[at] = (WRITTEN | how | (known & VECTOR)
                  | (np.int64(NOISE) if noise != 0 else np.int64(0)))
    s.value[at] = value
    s.writer_pc[at] = pc
    s.writer_t[at] = t
    s.writer_stack[at] = write_place(s, m.sp)
    return np.int64(0)
