"""Run instruction by instruction, count what ran and keep the tree of calls (hot).

A call is an opcode that calls and pushes; its frame is over once a return has taken SP above
it, so code that looks at its return address with POP and PUSH stays in its function.  Loading SP
changes stacks: to one that was left with that SP, else, when it moves far, to a new one.  Where
PC comes into another function without a call, it has jumped there: the frame goes on as that.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import MACHINE
from emu.cpu.run_by_address import run_at
from emu.native.jit import INT, compiled, root
from emu.usage.record import (
    CALL_IF,
    CALLS,
    EXTENDED,
    FRAMES,
    INTERRUPTS,
    JUMP_IF,
    LOADS_SP,
    NODES,
    PLAIN,
    PROGRAM,
    RELATIVE_IF,
    RETURN_IF,
    RETURNS,
    STACKS,
    UNNAMED,
    USAGE,
)

NEAR = 256  # bytes by which SP may be moved on one stack: a function's variables


@compiled
def place_of(m, address):
    """Give the place of plain memory that answers at an address, -1 for none."""
    base = m.read_base_true[(address >> 12) & 15]
    return base + (address & 0xFFF) if base >= 0 else np.int64(-1)


@compiled
def child(u, parent, function):
    """Find or make the child of a node for a function; the node itself when the tree is full."""
    at = u.first[parent]
    while at != 0:
        if u.function[at] == function:
            return at
        at = u.next[at]
    if u.nodes == NODES:
        return parent
    at = u.nodes
    u.nodes += 1
    u.parent[at] = parent
    u.function[at] = function
    u.next[at] = u.first[parent]
    u.first[parent] = at
    return at


@compiled
def called(u, place):
    """Give the function that is called at a place; a label that is called is one from now on."""
    if place < 0:
        return np.int64(UNNAMED - 1)
    label = np.int64(u.label[place])
    if label < 0:
        return UNNAMED + place
    if u.label_place[label] == place and u.function_of[label] != label:
        old = u.function_of[label]
        for k in range(label, u.labels):
            if u.function_of[k] != old:
                break
            u.function_of[k] = label
    return u.function_of[label]


@compiled
def opened(u, parent, function, sp):
    """Open a frame."""
    depth = u.depth[u.stack]
    node = child(u, parent, function)
    u.calls[node] += 1
    if depth < FRAMES:
        u.frame_node[u.stack, depth] = node
        u.frame_sp[u.stack, depth] = sp
        u.depth[u.stack] = depth + 1
    return node


@compiled
def closed_up_to(u, sp):
    """Close the frames whose return address lies below SP."""
    depth = u.depth[u.stack]
    while depth > 1 and u.frame_sp[u.stack, depth - 1] < sp:
        depth -= 1
    u.depth[u.stack] = depth
    return np.int64(0)


@compiled
def stack_loaded(u, before, sp):
    """Go over to the stack that SP has been loaded for."""
    u.left_sp[u.stack] = before
    for k in range(u.stacks):
        if k != u.stack and u.left_sp[k] == sp:
            u.stack = k
            return np.int64(0)
    if u.depth[u.stack] > 1 and abs(sp - before) <= NEAR:
        return closed_up_to(u, sp)
    if u.depth[u.stack] > 1:
        if u.stacks < STACKS:
            u.stack = u.stacks
            u.stacks += 1
        else:
            u.stack = (u.stack + 1) % STACKS
    u.depth[u.stack] = 1
    u.frame_node[u.stack, 0] = PROGRAM
    return np.int64(0)


@compiled
def node_here(u, place):
    """Give the node of the frame under way, changed to the function that PC is in."""
    top = u.depth[u.stack] - 1
    node = u.frame_node[u.stack, top]
    label = np.int64(u.label[place]) if place >= 0 else np.int64(-1)
    if node > INTERRUPTS and (label < 0 or u.function[node] == u.function_of[label]):
        return node
    function = u.function_of[label] if label >= 0 else called(u, place)
    node = child(u, u.parent[node] if node > INTERRUPTS else np.int64(PROGRAM), function)
    u.frame_node[u.stack, top] = node
    return node


@compiled
def kind_at(m, u, place):
    """Say what the instruction at a place does to the flow."""
    kind = np.int64(u.flow[m.phys[place]])
    if kind != EXTENDED or place + 1 >= len(m.phys):
        return kind
    first, second = np.int64(m.phys[place]), np.int64(m.phys[place + 1])
    if first == 0xED:
        if second & 0xC7 == 0x45:
            return np.int64(RETURNS)
        return np.int64(LOADS_SP) if second == 0x7B else np.int64(PLAIN)
    return np.int64(LOADS_SP) if second == 0xF9 else np.int64(PLAIN)


@compiled
def behind(kind, pc):
    """Give the address behind a conditional instruction."""
    if kind == RELATIVE_IF:
        return (pc + 2) & 0xFFFF
    if kind == RETURN_IF:
        return (pc + 1) & 0xFFFF
    return (pc + 3) & 0xFFFF


@compiled
def followed(m, u, place, pc, sp):
    """Count an instruction that has run, and follow calls, returns and changes of stacks."""
    u.ran[place] += 1
    u.seen_at[place] = pc
    kind = kind_at(m, u, place)
    if kind == PLAIN:
        return np.int64(0)
    if kind == RELATIVE_IF or kind == JUMP_IF or kind == CALL_IF or kind == RETURN_IF:
        if m.pc != behind(kind, pc):
            u.taken[place] += 1
    if kind == CALLS or kind == CALL_IF:
        if m.sp == (sp - 2) & 0xFFFF:
            parent = u.frame_node[u.stack, u.depth[u.stack] - 1]
            opened(u, parent, called(u, place_of(m, m.pc)), m.sp)
    elif kind == RETURNS or kind == RETURN_IF:
        if m.sp == (sp + 2) & 0xFFFF:
            closed_up_to(u, m.sp)
    elif kind == LOADS_SP and m.sp != sp:
        stack_loaded(u, sp, m.sp)
    return np.int64(0)


@compiled
def look_at_mask(m, u, pc):
    """Keep the longest stretch with interrupts off, from the first EI on."""
    if m.iff1 == 1:
        u.ei_seen = 1
        if u.off_since >= 0:
            length = m.t - u.off_since
            if length > u.off_longest:
                u.off_longest = length
                u.off_from = u.off_pc
                u.off_to = pc
                u.off_t = u.off_since
            u.off_since = -1
    elif u.ei_seen == 1 and u.off_since < 0:
        u.off_since = m.t
        u.off_pc = pc
    return np.int64(0)


@root(MACHINE, USAGE, INT)
def observe(m, u, t_stop):
    """Run until ``t_stop`` or a reason to leave; the instructions looked at."""
    steps = np.int64(0)
    m.exit_reason = 0
    while m.t < t_stop and m.exit_reason == 0:
        t, pc, sp = m.t, m.pc, m.sp
        answers = m.ack_count + m.nmi_count
        halted = m.halted
        place = place_of(m, pc)
        if halted == 1:
            run_at(m, u.run, max(min(m.next_event, t_stop), t + 1))
        else:
            node = node_here(u, place)
            run_at(m, u.run, t + 1)
        if m.ack_count + m.nmi_count != answers:
            if m.sp == (sp - 2) & 0xFFFF:
                node = opened(u, np.int64(INTERRUPTS), called(u, place_of(m, m.pc)), m.sp)
            elif halted == 1:
                node = node_here(u, place)
            u.own[node] += m.t - t
        elif halted == 1:
            u.idle[u.frame_node[u.stack, u.depth[u.stack] - 1]] += m.t - t
        else:
            u.own[node] += m.t - t
            if place >= 0:
                followed(m, u, place, pc, sp)
        look_at_mask(m, u, pc if m.ack_count + m.nmi_count == answers else m.pc)
        steps += 1
    return steps
