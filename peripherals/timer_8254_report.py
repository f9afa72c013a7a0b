"""What an 82C54 says of itself, and what goes wrong at it; plain Python over its record."""
from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

from peripherals.card import Complaint, Request, Tick, Trouble, roles
from peripherals.timer_8254_counter import (
    BOTH,
    CLOCK_INPUT,
    NO_INPUT,
    load,
    repeats,
    shown,
)

MODES = ("interrupt on terminal count", "one-shot", "rate generator", "square wave",
         "strobe by software", "strobe by hardware")
WAYS = ("", "LSB", "MSB", "LSB, MSB")


def _ticking(c: Any) -> bool:
    return bool(repeats(c)) and c.in_kind == CLOCK_INPUT


def _period(c: Any) -> Fraction:
    """Give the T-states between two rising edges of OUT of a counter that goes round."""
    return Fraction(int(c.num), int(c.den)) * int(c.length)


def counter_words(s: Any, k: int) -> str:
    """Give a counter in words."""
    c = s.counter[k]
    if not c.known and c.low < 0:
        return f"counter {k}: no count written, mode {int(c.mode)}"
    words = [f"counter {k}: mode {int(c.mode)} ({MODES[int(c.mode)]})",
             f"count {int(shown(c)):04X}h of {int(c.length)}", f"OUT {int(c.out)}",
             f"GATE {int(c.gate)}", f"read and written {WAYS[int(c.word) >> 4]}"]
    if _ticking(c):
        hertz = Fraction(int(s.hz_num), int(s.hz_den))
        words.append(f"{float(hertz / _period(c)):.6g} Hz")
    if c.low >= 0:
        words.append("waits for the MSB of a count")
    elif c.waits:
        words.append("a count waits to be loaded")
    if c.in_kind == NO_INPUT:
        words.append("nothing at CLK")
    return ", ".join(words)


def describe(m: Any, s: Any) -> list[str]:
    """Give the counters and the interrupt in words."""
    out = [counter_words(s, k) for k in range(len(s.counter))]
    if s.asks_from >= 0:
        how = "by a flip-flop" if s.latched else "by its level"
        out.append(f"OUT {int(s.asks_from)} asks {how}, {'now' if m.ip[s.slot] else 'not now'}"
                   + (f", {int(s.lost)} edges lost while it was set" if s.lost else ""))
    return out + risks(m, s)


def risks(_: Any, s: Any) -> list[str]:
    """Give counts that were read in two halves while they ran."""
    return [f"{int(c.torn)} counts of counter {k} were read in two bytes without a latch while it "
            f"counted, the last at T-state {int(c.read_t)}: the halves may belong to two counts"
            for k, c in enumerate(s.counter) if c.torn]


def ticks(m: Any, s: Any) -> list[Tick]:
    """Give the counters that go round."""
    return [Tick(f"counter {k}", _period(c), 0 if s.asks_from == k else -1, int(c.rises),
                 int(s.lost) if s.asks_from == k else 0, 0,
                 f"count {int(c.length)} in mode {int(c.mode)}")
            for k, c in enumerate(s.counter) if _ticking(c)]


def requests(m: Any, s: Any) -> list[Request]:
    """Give the OUT that asks."""
    if s.asks_from < 0:
        return []
    k = int(s.asks_from)
    return [Request(0, f"counter {k}", roles.TICKS, True, bool(m.ip[s.slot]), counter_words(s, k))]


def _untriggered(c: Any) -> bool:
    return bool(c.known and not c.runs and c.mode in (1, 5) and not c.trigger)


def _gated(c: Any) -> bool:
    return bool(c.known and (_untriggered(c) or not c.gate and c.mode not in (1, 5)))


def complaints(_: Any, s: Any) -> list[Complaint]:
    """Give counters half programmed, without a clock, or without their trigger."""
    out = []
    for k, c in enumerate(s.counter):
        part = register = f"counter{k}"
        if not c.known and k == s.asks_from and c.low < 0:
            out.append(Complaint(roles.NOT_SET_UP, part, "control"))
        found = ((roles.CONSTANT_AWAITED, c.low >= 0),
                 (roles.NO_INPUT, c.known and c.in_kind == NO_INPUT),
                 (roles.TRIGGER_AWAITED, _untriggered(c)))
        out += [Complaint(code, part, register) for code, stands_so in found if stands_so]
    if s.lost:
        out.append(Complaint(roles.TICKS_LOST, f"counter{int(s.asks_from)}", count=int(s.lost)))
    return out


def _awake(m: Any, s: Any) -> None:
    m.event_t[s.slot] = int(m.t) + 1
    m.next_event = 0


def half_count(m: Any, s: Any, k: int) -> Trouble | None:
    """A count of which one byte has come."""
    c = s.counter[k]
    if c.low < 0:
        return None

    def mend(m: Any, s: Any) -> None:
        c = s.counter[k]
        c.written, c.low, c.known, c.waits = int(c.low), -1, 1, 1
        _awake(m, s)

    return Trouble(
        "timer-half-count", f"counter {k} of {{card}} waits for the second byte of its count.",
        [f"The control word of counter {k} says LSB, then MSB; {int(c.low):02X}h has come, and no "
         f"byte since.",
         f"Until then mode {int(c.mode)} {'does not count' if c.mode == 0 else 'loads nothing'}."],
        [f"Write the MSB to {{counter{k}}}, even where it is 00h.",
         f"Or send {k << 6 | 0x10 | int(c.mode) << 1:02X}h to {{control}}: LSB only."],
        int(m.t), mend)


def gated(m: Any, s: Any, k: int) -> Trouble | None:
    """A counter that its gate holds."""
    c = s.counter[k]
    if c.low >= 0 or not _gated(c):
        return None

    def mend(m: Any, s: Any) -> None:
        c = s.counter[k]
        c.mode = 2 if c.mode in (1, 5) else int(c.mode)
        c.gate, c.trigger = 1, int(c.mode not in (0, 4))
        _awake(m, s)

    remedy = [
        f"For a steady tick choose a mode that needs no edge: {k << 6 | BOTH << 4 | 4:02X}h to "
        f"{{control}} is mode 2.",
        f"Tie GATE {k} high (gate-{k} = true in slot {{slot}}), or wire what is to drive it to "
        f"gate{k}."]
    what = (f"mode {int(c.mode)} begins at a rising edge of GATE: none has come" if _untriggered(c)
            else f"GATE {k} is low: mode {int(c.mode)} counts only while it is high")
    return Trouble(
        "timer-gated", f"counter {k} of {{card}} does not count: its GATE keeps it.",
        [f"A count of {int(c.written) or int(c.modulus)} has been written, and {what}.",
         f"The count stands at {int(shown(c)):04X}h."],
        remedy if _untriggered(c) else remedy[::-1], int(m.t), mend)


def ended(m: Any, s: Any, k: int) -> Trouble | None:
    """A counter that has counted down once."""
    c = s.counter[k]
    if c.mode not in (0, 4) or not c.fired:
        return None

    def mend(m: Any, s: Any) -> None:
        c = s.counter[k]
        c.mode = 2
        load(c)
        c.out = 1
        _awake(m, s)

    return Trouble(
        "timer-ended", f"counter {k} of {{card}} has counted down once, and does not begin again.",
        [f"It is in mode {int(c.mode)} ({MODES[int(c.mode)]}); the terminal count passed at "
         f"T-state {int(c.out_t)}, OUT {int(c.out)} since.",
         f"No count has been written after that; {int(c.rises)} rising edges of OUT so far."],
        [f"Send {k << 6 | BOTH << 4 | 4:02X}h to {{control}} (mode 2: again and again) and the "
         f"count anew.", "Or write the count again each time, in the handler."], int(c.out_t), mend)


CHECKS: tuple[Callable[[Any, Any, int], Trouble | None], ...] = (half_count, gated, ended)


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    found = [check(m, s, k) for k in range(len(s.counter)) for check in CHECKS]
    return [trouble for trouble in found if trouble is not None]
