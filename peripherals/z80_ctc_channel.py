"""How one channel of a Z80 CTC counts.

A channel counts the edges of a *train* with an exact period num/den in T-states: its own
prescaler in timer mode, a steady clock at CLK/TRG in counter mode.  So the state at any
time follows by arithmetic, zero counts stand at exact multiples for ever, and a channel
nobody listens to needs no events.  Only a CLK/TRG line that changes now and then is
counted edge by edge.

A steady clock comes with its rising edge stated.  ZC/TO rests low and goes high at the zero
count for 1.5 T-states (UM0081 p.34; the width from memory): so a channel that looks for the
falling edge of another's counts it one T-state later.  Inputs that are no clocks, a PIO's pin
or a strobe, are told each rise and each fall.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR, PERIODIC
from emu.bus.wires import drive_clock, drive_edge, drive_level, source_of
from emu.native.jit import compiled, inlined

# The control word (UM0081 p.23).
INTERRUPT, COUNTER, BY_256, RISING, ON_TRIGGER, CONSTANT, STOP = 128, 64, 32, 16, 8, 4, 2

STOPPED, WAITING, COUNTING = range(3)  # WAITING: for the trigger of a timer
NO_INPUT, LEVEL_INPUT, CLOCK_INPUT = range(3)

PULSE = 1  # ZC/TO falls in the middle of the T-state that follows the zero count's
START = 2  # from T3 of the OUT, or from the trigger, to the start; see load and strike

CHANNEL = np.dtype([
    ("control", np.int64),
    ("state", np.int64),
    ("constant_due", np.int64),  # 1: the next byte written is a time constant
    ("constant", np.int64),  # 1 to 256
    ("next_constant", np.int64),  # loaded at the next zero count; 0 none
    ("count", np.int64),  # down counter, after all edges before edge_t
    ("train", np.int64),  # 1: it counts a train
    ("edge_t", np.int64), ("edge_rem", np.int64),  # next edge: edge_t + edge_rem/den
    ("num", np.int64), ("den", np.int64),
    ("origin", np.int64),  # when the timer, and with it its prescaler, starts
    ("trigger_t", np.int64),  # when the trigger comes or came
    ("in_kind", np.int64), ("in_level", np.int64),
    ("in_num", np.int64), ("in_den", np.int64),  # a clock at CLK/TRG: its period ...
    ("in_t", np.int64), ("in_rem", np.int64),  # ... and one edge
    ("wired", np.int64),  # 1: something is wired to ZC/TO
    ("edged", np.int64),  # 1: among it is an input that is no clock
    ("fall_t", np.int64),  # when ZC/TO falls, FAR: it is low
    ("telling", np.int64),  # 1: listeners are being told (wires may form a ring)
    ("zeros", np.int64), ("lost", np.int64),  # zero counts; those that found one pending
    ("disabled", np.int64),  # control words that disabled its interrupt with a request pending
    ("chosen", np.int64),  # edges made by choosing the other one, that it counted or started by
], align=True)


@compiled
def run_train(c, now):
    """Pass all edges up to ``now`` and count them; products stay below 2**61."""
    total = np.int64(0)
    reach = (1 << 60) // c.den
    while c.edge_t <= now:
        span = (min(now, c.edge_t + reach) - c.edge_t) * c.den - c.edge_rem
        if span < 0:
            break
        edges = span // c.num + 1
        place = c.edge_rem + edges * c.num
        c.edge_t += place // c.den
        c.edge_rem = place % c.den
        total += edges
    return total


@inlined
def zero_place(c):
    """Give the place of the next zero count, in 1/den T-states behind edge_t."""
    return c.edge_rem + (c.count - 1) * c.num


@inlined
def next_zero(c):
    """Give the first T-state at or after the next zero count of a channel with a train."""
    return c.edge_t + (zero_place(c) + c.den - 1) // c.den


@inlined
def runs_by_itself(c):
    """Tell whether zero counts come without anybody doing anything."""
    return c.state == COUNTING and c.train == 1


@compiled
def note_zeros(m, s, k, zeros):
    """Count zero counts and ask for an interrupt: one flip-flop a channel."""
    c = s.channel[k]
    c.zeros += zeros
    if (c.control & INTERRUPT) == 0:
        return
    bit = 1 << k
    if (m.ip[s.slot] & bit) != 0:
        c.lost += zeros
    else:
        c.lost += zeros - 1
        m.ip[s.slot] |= bit
        m.irq_dirty = 1


@inlined
def reload(c):
    """Take the new constant, if one waits, at a zero count; 1 when one did."""
    if c.next_constant == 0:
        return 0
    c.constant = c.next_constant
    c.next_constant = 0
    return 1


@compiled
def settle(m, s, k, now):
    """Let a channel's edges up to ``now`` happen."""
    c = s.channel[k]
    if not runs_by_itself(c):
        return
    zero = next_zero(c)
    edges = run_train(c, now)
    if edges < c.count:
        c.count -= edges
        return
    edges -= c.count
    changed = reload(c)
    c.count = c.constant - edges % c.constant
    note_zeros(m, s, k, 1 + edges // c.constant)
    if changed == 1:
        publish_from(m, s, k, zero, np.int64(1))
    if c.edged == 1:
        raise_output(m, s, k, zero)


@inlined
def divisor(a, b):
    """Give the greatest common divisor."""
    while b != 0:
        a, b = b, a % b
    return a


@compiled
def publish(m, s, k, when):
    """Tell what is wired to ZC/TO how it goes on from ``when``."""
    publish_from(m, s, k, when, np.int64(0))


@compiled
def publish_from(m, s, k, when, last):
    """Tell what is wired to ZC/TO how it goes on; ``last``: 1 states the zero count that has
    just been, whose falling edge is still to come."""
    c = s.channel[k]
    if c.wired == 0 or c.telling == 1:
        return
    c.telling = 1
    if runs_by_itself(c):
        num = c.num * c.constant
        place = zero_place(c) - last * num
        rem = place % c.den
        common = divisor(divisor(num, c.den), rem)
        drive_clock(m, s.slot, k, num // common, c.den // common, c.edge_t + place // c.den,
                    rem // common, when)
    else:
        c.fall_t = FAR
        drive_level(m, s.slot, k, 0, when)
    c.telling = 0


@compiled
def raise_output(m, s, k, when):
    """Let ZC/TO go high at a zero count."""
    s.channel[k].fall_t = when + PULSE
    drive_edge(m, s.slot, k, 1, when)


@compiled
def lower_output(m, s, k):
    """Let ZC/TO fall when its pulse is over."""
    c = s.channel[k]
    when = c.fall_t
    c.fall_t = FAR
    drive_edge(m, s.slot, k, 0, when)


@compiled
def take_clock(c, t):
    """Make the clock at CLK/TRG the train, from its first edge after t."""
    c.num = c.in_num
    c.den = c.in_den
    c.edge_t = c.in_t
    c.edge_rem = c.in_rem
    run_train(c, t)
    c.in_t = c.edge_t
    c.in_rem = c.edge_rem


@compiled
def take_train(c, t):
    """Find the edges that the channel counts after t."""
    c.train = 0
    if c.state != COUNTING:
        return
    if (c.control & COUNTER) != 0:
        if c.in_kind == CLOCK_INPUT:
            take_clock(c, t)
            c.train = 1
        return
    step = np.int64(256) if (c.control & BY_256) != 0 else np.int64(16)
    c.num = step
    c.den = 1
    c.edge_rem = 0
    c.edge_t = c.origin + step if t < c.origin else t + step - (t - c.origin) % step
    c.train = 1


@compiled
def start_timer(c, t, origin):
    """Let a timer and its prescaler start at ``origin``."""
    c.state = COUNTING
    c.origin = origin
    take_train(c, t)


@compiled
def await_trigger(c, t):
    """Wait for a trigger; a steady clock's next edge is known already."""
    c.state = WAITING
    c.train = 0
    if c.in_kind == CLOCK_INPUT:
        take_clock(c, t)
        c.trigger_t = c.edge_t
        start_timer(c, t, c.edge_t + START)


@compiled
def start(c, t):
    """Let a channel that stood still go, as its control word says."""
    if (c.control & COUNTER) != 0:
        c.state = COUNTING
        take_train(c, t)
    elif (c.control & ON_TRIGGER) != 0:
        await_trigger(c, t)
    else:
        start_timer(c, t, t + START)


@compiled
def load(m, s, k, byte, t):
    """Take a time constant: a channel that counts already finishes its count first.

    The timer starts at the rising edge of T2 of the machine cycle that follows (UM0081
    p.39): the OUT's T3 is ``t``, its cycle ends at t + 1, so that edge is t + 2.
    """
    c = s.channel[k]
    c.constant_due = 0
    constant = byte if byte != 0 else np.int64(256)
    timer = (c.control & COUNTER) == 0
    if c.state == COUNTING and not (timer and t < c.origin):
        c.next_constant = constant
        return
    c.constant = constant
    c.count = constant
    if c.state == STOPPED:
        start(c, t)
    publish(m, s, k, t)


@compiled
def stop(c):
    """Stop counting; only a time constant lets the channel go on."""
    c.state = STOPPED
    c.train = 0
    c.next_constant = 0
    c.trigger_t = -1


@compiled
def control(m, s, k, byte, t):
    """Take a control word."""
    c = s.channel[k]
    old = c.control
    untriggered = c.state == COUNTING and (old & COUNTER) == 0 and c.trigger_t > t
    c.control = byte
    if ((old ^ byte) & RISING) != 0:
        look(m, s, k)  # its edges lie elsewhere now
    c.constant_due = 1 if (byte & CONSTANT) != 0 else 0
    bit = 1 << k
    if (byte & INTERRUPT) == 0 and (m.ip[s.slot] & bit) != 0:
        c.disabled += 1
        if s.keeps == 0:
            m.ip[s.slot] &= ~bit
            m.irq_dirty = 1
    if (byte & STOP) != 0:
        stop(c)
    elif c.state == WAITING or untriggered:
        start(c, t)
    elif c.state == COUNTING:
        if (old & COUNTER) != 0 and (byte & COUNTER) == 0:
            c.origin = t + START
        take_train(c, t)
    wanted = 1 if (byte & RISING) != 0 else 0
    flipped = ((old ^ byte) & RISING) != 0
    if flipped and c.in_kind == LEVEL_INPUT and c.in_level == wanted and s.calm == 0:
        counts = c.state == COUNTING and (byte & COUNTER) != 0
        c.chosen += 1 if c.state == WAITING or counts else 0
        strike(m, s, k, t)  # choosing the other edge makes one (unsettled)
    publish(m, s, k, t)


@compiled
def strike(m, s, k, when):
    """Take one active edge of a CLK/TRG line that is no steady clock.

    A timer starts at the second rising edge of the clock after its trigger (UM0081 p.39).
    """
    c = s.channel[k]
    if c.state == WAITING:
        c.trigger_t = when
        start_timer(c, when, when + START)
        publish(m, s, k, when)
    elif c.state == COUNTING and (c.control & COUNTER) != 0:
        c.count -= 1
        if c.count == 0:
            reload(c)
            c.count = c.constant
            note_zeros(m, s, k, 1)
            if c.wired == 1 and c.fall_t == FAR:
                raise_output(m, s, k, when)


@compiled
def look(m, s, k):
    """See what stands at CLK/TRG, where a wire ends there."""
    c = s.channel[k]
    source = source_of(m, s.slot, k)
    if source < 0:
        return
    slot = source >> 8
    output = source & 255
    if m.line_kind[slot, output] == PERIODIC:
        c.in_kind = CLOCK_INPUT
        c.in_num = m.line_num[slot, output]
        c.in_den = m.line_den[slot, output]
        behind = np.int64(0) if (c.control & RISING) != 0 else np.int64(PULSE)
        c.in_t = m.line_t[slot, output] + behind
        c.in_rem = m.line_rem[slot, output]
    else:
        c.in_kind = LEVEL_INPUT
        c.in_level = m.line_level[slot, output]


@compiled
def input_changed(m, s, k, when):
    """Go by a CLK/TRG line that has changed; the channel is settled up to ``when``."""
    c = s.channel[k]
    kind = c.in_kind
    level = c.in_level
    look(m, s, k)
    if kind == LEVEL_INPUT and c.in_kind == LEVEL_INPUT:
        if c.in_level != level and c.in_level == (1 if (c.control & RISING) != 0 else 0):
            strike(m, s, k, when)
        return
    timer = (c.control & COUNTER) == 0
    if c.state == WAITING or (c.state == COUNTING and timer and c.trigger_t > when):
        await_trigger(c, when)
    elif c.state == COUNTING and not timer:
        take_train(c, when)
    else:
        return
    publish(m, s, k, when)
