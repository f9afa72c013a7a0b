"""Run instruction by instruction, and hold each against the shadow.

`observe` steps the run loop by its address, with the bus log on, and reads back what each
instruction did: what it fetched, read, wrote and asked of ports.  Data are followed through
registers and memory by the rows of emu/chronicle/flow_table.py, so that a branch or an address that
hangs on RAM noise is known as such.  A kind of anomaly is kept once a place, with its count.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import ACK, DMA_WRITE, FETCH, IN, MACHINE, NMI_FETCH, OUT, READ, WRITE
from emu.chronicle.flow_table import (
    ASKS,
    CALLS,
    CB,
    DD,
    DDCB,
    ED,
    EXCHANGES,
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
from emu.chronicle.interrupt_rules import entered, look_at_lines, returned
from emu.chronicle.memory_rules import data_read, data_written, fetched
from emu.chronicle.notes import (
    address_of,
    data_of,
    kind_of,
    note,
    read_place,
    take_map,
    word_at,
    write_place,
)
from emu.chronicle.shadow import (
    BEGINS,
    ENTERED,
    EXCHANGED,
    FF_EXECUTED,
    NOISE_ADDRESS,
    NOISE_BRANCH,
    NOISE_JUMP,
    NOISE_OUT,
    PAGE_UNDER_PC,
    PAGE_UNDER_SP,
    PORT_EMPTY_READ,
    PORT_EMPTY_WRITE,
    PUSHED,
    RESTART,
    RETURN,
    SHADOW,
    STORED,
    WRITTEN,
)
from emu.cpu.run_by_address import run_at
from emu.native.jit import INT, compiled, root

ON_STACK = RETURN | ENTERED | PUSHED
STACK_LOOK = 16  # bytes from SP on


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
            if k == first:
                place = read_place(s, address)
                if place >= 0:
                    s.byte[np.uint64(place)] |= BEGINS
        elif kind == READ:
            if operands > 0:
                operands -= 1
                fetched(m, s, t, pc, address)
                continue
            looked = np.int64(0) if moves_on(code) else np.int64(1)
            if data_read(m, s, t, pc, address, data_of(word), looked) != 0 and reads < 2:
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
    elif flow & EXCHANGES != 0:
        how = np.int64(EXCHANGED)
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
        taken_back(s, pop_address)
    elif flow & POPS != 0 and reads >= 2:
        taken_back(s, pop_address)
    if code == 0xFF:
        note(m, s, FF_EXECUTED, t, pc, s.last_pc, m.sp, pc)
    return np.int64(0)


@compiled
def taken_back(s, address):
    """Note that a word was taken from the stack: nobody needs it there any more."""
    for k in range(2):
        place = read_place(s, (address + k) & 0xFFFF)
        if place >= 0:
            s.byte[np.uint64(place)] &= 0xFFFF - RETURN - ENTERED - STORED
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
def moves_on(code):
    """Tell whether an instruction moves a byte from memory to memory."""
    return code >> 8 == ED and (code & 0xE7) == 0xA0


@compiled
def stack_in_use(m, s, page):
    """Tell whether anything stands on the stack in a page that was there until now."""
    for k in range(STACK_LOOK):
        at = (m.sp + k) & 0xFFFF
        place = write_place(s, at)
        if at >> 12 == page and place >= 0 and np.int64(s.byte[np.uint64(place)]) & ON_STACK != 0:
            return True
    return False


@compiled
def changed_pages(m, s, t, pc):
    """Look at the page map behind an OUT."""
    here, stack = (m.pc >> 12) & 15, (m.sp >> 12) & 15
    if m.read_base_true[here] != s.map[here]:
        note(m, s, PAGE_UNDER_PC, t, pc, here, 0, pc)
    if m.write_base_true[stack] != s.write_map[stack] and stack_in_use(m, s, stack):
        note(m, s, PAGE_UNDER_SP, t, pc, stack, m.sp, pc)
    take_map(m, s)
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
