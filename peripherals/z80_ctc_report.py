"""What a Z80 CTC says of itself: its channels in words, its ticks, sources and complaints."""
from __future__ import annotations

from fractions import Fraction
from typing import Any

from peripherals.card import Complaint, Request, Tick, roles
from peripherals.z80_ctc_channel import (
    BY_256,
    COUNTER,
    COUNTING,
    INTERRUPT,
    NO_INPUT,
    STOPPED,
    next_zero,
    runs_by_itself,
    zero_place,
)


def _prescaler(c: Any) -> int:
    return 256 if c.control & BY_256 else 16


def _constant(m: Any, c: Any) -> int:
    """Give the constant that counts now."""
    if c.next_constant and runs_by_itself(c) and next_zero(c) <= m.t:
        return int(c.next_constant)  # its zero count has passed, unseen so far
    return int(c.constant)


def _period(m: Any, c: Any) -> Fraction:
    """Give the T-states between two zero counts of a channel that runs by itself."""
    return Fraction(int(c.num), int(c.den)) * _constant(m, c)


def _uncounted(c: Any) -> bool:
    """Tell whether it is a counter with nothing at its input."""
    return bool(c.state != STOPPED and c.control & COUNTER and c.in_kind == NO_INPUT)


def _untriggered(m: Any, c: Any) -> bool:
    """Tell whether it is a timer that waits for its trigger."""
    return bool(c.state != STOPPED and not c.control & COUNTER
                and (c.state != COUNTING or c.trigger_t > m.t))


def _going(m: Any, s: Any, c: Any) -> str:
    """Say what a channel does, with its constant and its rate."""
    if c.state == STOPPED:
        return "stopped"
    counter = bool(c.control & COUNTER)
    constant = _constant(m, c)
    if counter:
        what = f"counter of {constant} edges"
    else:
        what = f"timer, {_prescaler(c)} x {constant} T-states"
    if runs_by_itself(c):
        hertz = Fraction(int(s.hz_num), int(s.hz_den))
        what += f" ({float(hertz / _period(m, c)):.6g} Hz)"
    if _uncounted(c):
        what += ", nothing at CLK/TRG"
    if _untriggered(m, c):
        what += ", waiting for a trigger"
    if c.next_constant and constant != c.next_constant:
        what += f", then {int(c.next_constant)}"
    return what


def _lost(m: Any, s: Any, k: int) -> int:
    """Count the zero counts that found a request pending, those not looked at yet too."""
    c = s.channel[k]
    lost = int(c.lost)
    if m.ip[s.slot] >> k & 1 and runs_by_itself(c):
        behind = (int(m.t) - int(c.edge_t)) * int(c.den) - int(zero_place(c))
        lost += max(behind // (int(c.num) * int(c.next_constant or c.constant)) + 1, 0)
    return lost


def _channel_words(m: Any, s: Any, k: int) -> str:
    c = s.channel[k]
    words = [f"channel {k}: {_going(m, s, c)}"]
    if c.constant_due:
        words.append("waiting for a time constant")
    if c.control & INTERRUPT:
        words.append("interrupt enabled")
    if m.ip[s.slot] >> k & 1:
        words.append("interrupt pending")
    if m.ius[s.slot] >> k & 1:
        words.append("interrupt in service")
    if _lost(m, s, k):
        words.append(f"{_lost(m, s, k)} zero counts lost while one was pending")
    return ", ".join(words)


def describe(m: Any, s: Any) -> list[str]:
    """Give each channel's state in words."""
    out = [_channel_words(m, s, k) for k in range(len(s.channel))]
    out.append(f"vector {int(s.vector):02X}h")
    if s.astray:
        out.append(f"{int(s.astray)} vectors written to another port than channel 0's, where "
                   f"the chip ignores them")
    return out


def ticks(m: Any, s: Any) -> list[Tick]:
    """Give the channels that count to zero again and again."""
    found = []
    for k, c in enumerate(s.channel):
        asks = k if c.control & INTERRUPT else -1
        zeros, since = int(c.zeros), int(c.origin)
        if runs_by_itself(c):
            period = _period(m, c)
        elif c.state == COUNTING and zeros > 1:  # it counts edges of a wire: as they came
            period = Fraction(int(m.t) - since, zeros)
        else:
            continue
        setting = f"constant {_constant(m, c)}"
        if not c.control & COUNTER:
            setting += f" with prescaler {_prescaler(c)}"
        found.append(Tick(f"channel {k}", period, asks, zeros, _lost(m, s, k), since, setting))
    return found


def requests(m: Any, s: Any) -> list[Request]:
    """Give the four channels."""
    return [Request(k, f"channel {k}", roles.TICKS, bool(c.control & INTERRUPT),
                    bool(m.ip[s.slot] >> k & 1), _channel_words(m, s, k))
            for k, c in enumerate(s.channel)]


def complaints(m: Any, s: Any) -> list[Complaint]:
    """Give what keeps channels from counting, counts lost, a vector that went astray."""
    out = []
    for k, c in enumerate(s.channel):
        part = register = f"channel{k}"
        found = ((roles.CONSTANT_AWAITED, c.constant_due), (roles.NO_INPUT, _uncounted(c)),
                 (roles.TRIGGER_AWAITED, _untriggered(m, c)), (roles.TICKS_LOST, _lost(m, s, k)))
        out += [Complaint(code, part, register, count=int(count))
                for code, count in found if count]
    if s.astray:
        out.append(Complaint(roles.VECTOR_ASTRAY, register="channel0", count=int(s.astray)))
    return out


def risks(_: Any, s: Any) -> list[str]:
    """Give what leans on readings that no manual has settled."""
    out = []
    for k, c in enumerate(s.channel):
        if c.disabled:
            out.append(f"channel {k} was disabled {int(c.disabled)} times with a request pending; "
                       f"whether that drops it is unsettled (jumper disabled-request), so disable "
                       f"it in its handler")
        if c.chosen:
            out.append(f"choosing the other edge made {int(c.chosen)} of channel {k}; whether it "
                       f"does is unsettled (jumper edge-choice), so choose it with the reset bit "
                       f"set, before the time constant")
    return out
