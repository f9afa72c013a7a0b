"""The inside of a Z80 PIO: its ports' state, requests, lines and handshakes."""
from __future__ import annotations

import numpy as np

from emu.bus.wires import drive_level
from emu.native.jit import compiled, inlined

OUTPUT, INPUT, BOTH_WAYS, BITS = range(4)  # modes
NOTHING, DIRECTIONS, MASK = range(3)  # what the next control byte is
A, B = range(2)
ENABLE, AND, HIGH, MASK_FOLLOWS = 0x80, 0x40, 0x20, 0x10  # of an interrupt control word
READY, STROBE = 16, 16  # number of ardy among the outputs, of astb among the inputs
PAPER = 64  # bytes kept of what a partner took, or has to give
NOBODY, TAKES, GIVES = range(3)  # partners
PARTNERS = ("none", "takes", "gives")

PORT = np.dtype([
    ("mode", np.int64),
    ("out", np.int64),  # the output register
    ("latched", np.int64),  # the input register
    ("pins", np.int64),  # levels from outside
    ("dirs", np.int64),  # mode 3: 1 = input
    ("mask", np.int64),  # 0 = watched
    ("control", np.int64),  # of the last interrupt control word
    ("expects", np.int64),
    ("vector", np.int64),
    ("rdy", np.int64), ("stb", np.int64),  # levels of the handshake lines
    ("match", np.int64),
    ("asleep", np.int64),  # 1: in reset until a control word comes
    ("pending", np.int64),
    ("shown", np.int64),  # what the lines show
    ("ready_t", np.int64),  # when RDY rose last
    ("strobes", np.int64), ("reads", np.int64),  # since the mode was set
    ("partner", np.int64),
    ("delay", np.int64), ("strobe_t", np.int64),  # T-states; when the partner strobes
    ("paper", np.uint8, (PAPER,)), ("papers", np.int64),  # what it took, and how much
    ("text", np.uint8, (PAPER,)), ("texts", np.int64), ("given", np.int64),  # what it gives
], align=True)

STATE = np.dtype([
    ("slot", np.int64),
    ("port", PORT, (2,)),
    ("gated", np.int64),  # 1: RESET reaches the chip by M1
    ("inputs_a", np.int64), ("inputs_b", np.int64),  # levels of unwired pins
], align=True)


# --- requests -----------------------------------------------------------------------------
@compiled
def ask(m, s):
    """Let the pending requests of enabled ports pull /INT."""
    asking = np.int64(0)
    for k in range(2):
        p = s.port[k]
        if p.pending == 1 and (p.control & ENABLE) != 0:
            asking |= np.int64(1) << k
    if m.ip[s.slot] != asking:
        m.ip[s.slot] = asking
        m.irq_dirty = 1


@compiled
def request(m, s, k):
    """Note a request of a port."""
    s.port[k].pending = 1
    ask(m, s)


@compiled
def compare(m, s, k):
    """Work a mode 3 match out; a request when it becomes true."""
    p = s.port[k]
    if p.mode != BITS or p.expects != NOTHING:
        return
    watched = ~p.mask & p.dirs & 0xFF
    active = p.pins if (p.control & HIGH) != 0 else ~p.pins
    active &= watched
    match = np.int64(0)
    if watched != 0:
        if (p.control & AND) != 0:
            match = np.int64(1) if active == watched else np.int64(0)
        else:
            match = np.int64(1) if active != 0 else np.int64(0)
    rose = match == 1 and p.match == 0
    p.match = match
    if rose:
        request(m, s, k)


# --- lines --------------------------------------------------------------------------------
@compiled
def show(m, s, k, t):
    """Put on the lines what the port drives; what it does not drive is high."""
    p = s.port[k]
    driven = np.int64(0)
    if p.mode == OUTPUT:
        driven = np.int64(0xFF)
    elif p.mode == BITS:
        driven = ~p.dirs & 0xFF
    elif p.mode == BOTH_WAYS and p.stb == 0:
        driven = np.int64(0xFF)
    shown = (p.out & driven) | (~driven & 0xFF)
    changed = shown ^ p.shown
    p.shown = shown
    for bit in range(8):
        if ((changed >> bit) & 1) != 0:
            drive_level(m, s.slot, k * 8 + bit, (shown >> bit) & 1, t)


@inlined
def receives(s, k):
    """Give the port whose pins a strobe of port k latches: A's in mode 2 by BSTB."""
    return np.int64(A) if k == B and s.port[A].mode == BOTH_WAYS else np.int64(k)


@inlined
def partner_wants(s, k):
    """Tell whether a port's partner answers RDY with a strobe."""
    p = s.port[k]
    if p.partner == TAKES:
        return p.mode == OUTPUT or p.mode == BOTH_WAYS
    return p.partner == GIVES and p.given < p.texts and (
        p.mode == INPUT or receives(s, k) != k)


@inlined
def plan(m, s):
    """Say when the next partner strobes."""
    m.event_t[s.slot] = min(s.port[A].strobe_t, s.port[B].strobe_t)


@compiled
def set_ready(m, s, k, level, t):
    """Set a RDY line."""
    p = s.port[k]
    if p.rdy == level:
        return
    p.rdy = level
    drive_level(m, s.slot, READY + k, level, t)
    if level == 1:
        p.ready_t = t
        if partner_wants(s, k):
            p.strobe_t = t + p.delay
    plan(m, s)


@compiled
def strobe(m, s, k, level, t):
    """See a level at an STB line: at its rising edge the transfer has been done."""
    p = s.port[k]
    if p.stb == level:
        return
    p.stb = level
    to = receives(s, k)
    gives = p.mode == OUTPUT or (p.mode == BOTH_WAYS and k == A)
    takes = p.mode == INPUT or to != k
    if level == 0:
        if takes:
            s.port[to].latched = s.port[to].pins
        show(m, s, k, t)
        return
    show(m, s, k, t)
    p.strobes += 1
    if (gives or takes) and p.asleep == 0:
        set_ready(m, s, k, np.int64(0), t)
        request(m, s, k)
