"""Run instruction by instruction, and hold each against the shadow.

`observe` steps the run loop by its address, with the bus log on, and reads back what each
instruction did: what it fetched, read, wrote and asked of ports.  Data are followed through
registers and memory by the rows of emu/chronicle/flow_table.py, so that a branch or an address that
hangs on RAM noise is known as such.  A kind of anomaly is kept once a place, with its count.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import (
    ACK,
    CHAINED_INTERRUPT,
    CONFLICT,
    DMA_WRITE,
    FETCH,
    IN,
    LOG,
    MACHINE,
    NMI_FETCH,
    NOBODY,
    NOT_MINE,
    OUT,
    PAGES,
    READ,
    ROM,
    WRITE,
)
from emu.chronicle.flow_table import (
    ASKS,
    CALLS,
    CB,
    DD,
    DDCB,
    ED,
    FD,
    FDCB,
    INDIRECT,
    LASTING,
    M0,
    OUT_BYTE,
    PLAIN,
    POPS,
    PUSHES,
    RETURNS,
    W0,
)
from emu.chronicle.shadow import (
    ACK_CONFLICT,
    ACK_EMPTY,
    ANOMALIES,
    CODE_PUSH,
    CODE_WRITE,
    EMPTY_CODE,
    EMPTY_READ,
    EMPTY_WRITE,
    ENTERED,
    EXECUTED,
    FF_EXECUTED,
    FRAMES,
    HANDLER_NOISE,
    INTERRUPTS_OFF,
    NOISE,
    NOISE_ADDRESS,
    NOISE_BRANCH,
    NOISE_CODE,
    NOISE_JUMP,
    NOISE_OUT,
    NOISE_READ,
    PAGE_LOST,
    PAGE_UNDER_PC,
    PAGE_UNDER_SP,
    PORT_EMPTY_READ,
    PORT_EMPTY_WRITE,
    PUSH_LOST,
    PUSH_OVER_DATA,
    PUSHED,
    RAM_CHANGED,
    REGISTER_LOST,
    REQUEST_WAITS,
    RESTART,
    RETURN,
    RETURN_NOT_RETI,
    RETURN_STRANGE,
    RETURN_WRITE,
    ROM_WRITE,
    SHADOW,
    STORED,
    VECTOR,
    VECTOR_ODD,
    VECTOR_WRITE,
    WRITTEN,
)
from emu.cpu.run_by_address import run_at
from emu.native.jit import INT, compiled, inlined, root

STACK_REACH = 256  # bytes above SP in which a store counts as one to a local variable
SCANS = 100_000  # anomalies of a kind after which they are only counted
EACH = 40  # rows of a kind
LOOK_EVERY = 4096  # T-states between looks at requests
RETI_CODE = ED * 256 + 0x4D
STORES = STORED | PUSHED | RETURN | ENTERED  # a byte that the CPU itself has written


@compiled
def note(m, s, kind, t, pc, a, b, key):
    """Keep an anomaly: the first of its kind and key gets a row, the others are counted."""
    s.total[kind] += 1
    if s.total[kind] > SCANS:
        return np.int64(0)
    at = np.int64(-1)
    last = s.last_row[kind]
    if last < s.count and s.row[last, 0] == kind and s.row[last, 7] == key:
        at = last
    mine = np.int64(0)
    if at < 0:
        for k in range(s.count):
            if s.row[k, 0] == kind:
                mine += 1
                if s.row[k, 7] == key:
                    at = np.int64(k)
                    break
    if at < 0 and s.count < ANOMALIES and mine < EACH:
        at = s.count
        s.count += 1
        s.row[at, 0] = kind
        s.row[at, 1] = t
        s.row[at, 2] = pc
        s.row[at, 3] = a
        s.row[at, 4] = b
        s.row[at, 7] = key
    if at >= 0:
        if kind == REGISTER_LOST or kind == PAGE_LOST:
            s.row[at, 3] |= a
        s.row[at, 5] += 1
        s.row[at, 6] = t
        s.last_row[kind] = at
    return np.int64(0)


@inlined
def word_at(m, k):
    """Give the second word of an entry of the ring: address, data, kind, driver."""
    return m.log[(k & (LOG - 1)) * 2 + 1]


@inlined
def kind_of(word):
    return (word >> 24) & 15


@inlined
def address_of(word):
    return word & 0xFFFF


@inlined
def data_of(word):
    return (word >> 16) & 0xFF


@inlined
def read_place(s, address):
    """Give where in phys a byte was read, or a negative claim."""
    base = s.map[(address >> 12) & 15]
    return base if base < 0 else base + (address & 0xFFF)


@inlined
def write_place(s, address):
    """Give where in phys a byte was written, or a negative claim."""
    base = s.write_map[(address >> 12) & 15]
    return base if base < 0 else base + (address & 0xFFF)


@compiled
def take_map(m, s):
    """Take the page map as it is now."""
    for page in range(PAGES):
        s.map[page] = m.read_base_true[page]
        s.write_map[page] = m.write_base_true[page]
    return np.int64(0)


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
def data_read(m, s, t, pc, address, value):
    """Look at a byte that was read as data; 1 when it is noise."""
    place = read_place(s, address)
    if place < 0:
        if place == NOT_MINE:
            note(m, s, EMPTY_READ, t, pc, address, s.last_pc, pc)
        return np.int64(0)
    s.reader_t[np.uint64(place)] = t
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
    """Look at a byte that was written; ``how``: STORED, PUSHED, RETURN or ENTERED."""
    place = write_place(s, address)
    pushed = how != STORED
    if place < 0:
        if place == ROM or place == NOT_MINE:
            kind = np.int64(ROM_WRITE) if place == ROM else np.int64(EMPTY_WRITE)
            if pushed:
                kind = np.int64(PUSH_LOST)
            note(m, s, kind, t, pc, address, value, pc)
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
        if known & (RETURN | ENTERED) != 0 and above >= 0 and above < 4 * STACK_REACH:
            note(m, s, RETURN_WRITE, t, pc, address, np.int64(s.writer_pc[at]), pc)
        if above >= 0 and above < STACK_REACH:
            how = np.int64(PUSHED)
    if known & VECTOR != 0:
        note(m, s, VECTOR_WRITE, t, pc, address, value, pc)
    s.byte[at] = (WRITTEN | how | (known & VECTOR)
                  | (np.int64(NOISE) if noise != 0 else np.int64(0)))
    s.value[at] = value
    s.writer_pc[at] = pc
    s.writer_t[at] = t
    return np.int64(0)


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
        elif kind == READ:
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
def decoded(m, s, first):
    """Give the row of the instruction that begins at an entry of the ring."""
    group, code = np.int64(PLAIN), data_of(word_at(m, first))
    if code == 0xCB or code == 0xED or code == 0xDD or code == 0xFD:
        if m.log_pos <= first + 1 or kind_of(word_at(m, first + 1)) != FETCH:
            return np.int64(0)
        second = data_of(word_at(m, first + 1))
        if code == 0xCB:
            group = np.int64(CB)
        elif code == 0xED:
            group = np.int64(ED)
        else:
            group = np.int64(DD) if code == 0xDD else np.int64(FD)
            if second == 0xCB and m.log_pos > first + 3:
                group = np.int64(DDCB) if code == 0xDD else np.int64(FDCB)
                second = data_of(word_at(m, first + 3))
        code = second
    return group * 256 + code


@compiled
def followed(m, s, first, t, pc, sp):
    """Hold an instruction against the shadow, from its first entry in the ring on."""
    code = decoded(m, s, first)
    flow = s.flow[code].flow
    operands = s.flow[code].operands
    moved = np.int64(0)  # places that hold noise while the instruction runs
    reads = np.int64(0)
    writes = np.int64(0)
    popped = np.int64(0)
    pop_address = np.int64(-1)
    before = s.noise
    # What it read.
    for k in range(first, m.log_pos):
        word = word_at(m, k)
        kind, address = kind_of(word), address_of(word)
        if kind == FETCH:
            fetched(m, s, t, pc, address)
        elif kind == READ:
            if operands > 0:
                operands -= 1
                fetched(m, s, t, pc, address)
                continue
            if data_read(m, s, t, pc, address, data_of(word)) != 0 and reads < 2:
                moved |= np.int64(1) << (M0 + reads)
            if reads == 0:
                pop_address = address
            popped |= data_of(word) << (8 * reads)
            reads += 1
        elif kind == IN:
            if m.port_slot[address & 0xFF] == -1:
                note(m, s, PORT_EMPTY_READ, t, pc, address & 0xFF, data_of(word),
                     address & 0xFF)
    # Where data went.
    all_before = before | moved
    if all_before != 0:
        follow_noise(m, s, code, t, pc, flow, all_before, reads)
    # What it wrote.
    how = np.int64(STORED)
    if flow & CALLS != 0:
        how = np.int64(RETURN)
    elif flow & PUSHES != 0:
        how = np.int64(PUSHED)
    for k in range(first, m.log_pos):
        word = word_at(m, k)
        kind, address = kind_of(word), address_of(word)
        if kind == WRITE:
            noise = (s.noise >> (W0 + writes)) & 1 if writes < 2 else np.int64(0)
            data_written(m, s, t, pc, address, data_of(word), how, noise)
            writes += 1
        elif kind == DMA_WRITE:
            place = write_place(s, address)
            if place >= 0:
                s.byte[np.uint64(place)] = WRITTEN
        elif kind == OUT:
            if m.port_slot[address & 0xFF] == -1:
                note(m, s, PORT_EMPTY_WRITE, t, pc, address & 0xFF, data_of(word),
                     address & 0xFF)
            if (s.noise >> OUT_BYTE) & 1 != 0:
                note(m, s, NOISE_OUT, t, pc, address & 0xFF, data_of(word), pc)
            changed_pages(m, s, t, pc)
    s.noise &= LASTING
    if flow & RETURNS != 0 and reads >= 2:
        if moved != 0:
            note(m, s, NOISE_JUMP, t, pc, popped, pop_address, pc)
        returned(m, s, t, pc, code, pop_address, popped)
    elif flow & POPS != 0 and reads >= 2:
        place = read_place(s, pop_address)
        if place >= 0:
            s.byte[np.uint64(place)] &= 255 - RETURN - ENTERED
    if code == 0xFF:
        note(m, s, FF_EXECUTED, t, pc, s.last_pc, m.sp, pc)
    return np.int64(0)


@compiled
def follow_noise(m, s, code, t, pc, flow, before, reads):
    """Move noise through an instruction, and say where something hangs on it."""
    after = before
    for k in range(s.flow[code].count):
        bit = np.int64(1) << s.flow[code].target[k]
        if before & s.flow[code].source[k] != 0:
            after |= bit
        else:
            after &= ~bit
    if flow & ASKS != 0 and before & s.flow[code].asks != 0:
        note(m, s, NOISE_JUMP if flow & INDIRECT != 0 else NOISE_BRANCH, t, pc, m.pc, 0, pc)
    if before & s.flow[code].pointer != 0:
        note(m, s, NOISE_ADDRESS, t, pc, m.pc, 0, pc)
    s.noise = after
    return np.int64(0)


@compiled
def changed_pages(m, s, t, pc):
    """Look at the page map behind an OUT."""
    here, stack = (m.pc >> 12) & 15, (m.sp >> 12) & 15
    if m.read_base_true[here] != s.map[here]:
        note(m, s, PAGE_UNDER_PC, t, pc, here, 0, pc)
    if m.write_base_true[stack] != s.write_map[stack]:
        note(m, s, PAGE_UNDER_SP, t, pc, stack, m.sp, pc)
    take_map(m, s)
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


@root(MACHINE, SHADOW, INT)
def observe(m, s, t_stop):
    """Run until ``t_stop`` or a reason to leave; the instructions looked at."""
    steps = np.int64(0)
    m.exit_reason = 0
    take_map(m, s)
    while m.t < t_stop and m.exit_reason == 0:
        t, pc, sp = m.t, m.pc, m.sp
        if m.halted == 1 and m.next_event > t + 4:
            run_at(m, s.run, min(m.next_event, t_stop))
            s.last_t = m.t
            continue
        first = m.log_pos
        run_at(m, s.run, t + 1)
        if m.log_pos == first:
            continue
        kind = kind_of(word_at(m, first))
        if kind == ACK or kind == NMI_FETCH:
            entered(m, s, first, t, pc)
        elif kind == FETCH:
            if pc == 0 and t > 0 and s.last_t != 0:
                note(m, s, RESTART, t, pc, s.last_pc, 0, s.last_pc)
            followed(m, s, first, t, pc, sp)
            s.last_pc = pc
            s.last_t = t
        look_at_lines(m, s, t, pc)
        steps += 1
    return steps
