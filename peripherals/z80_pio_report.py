"""What a Z80 PIO says of itself, and what goes wrong at it; plain Python over its record."""
from __future__ import annotations

from typing import Any

import numpy as np

from peripherals.card import Complaint, Request, Trouble, roles
from peripherals.z80_pio_port import (
    AND,
    BITS,
    DIRECTIONS,
    ENABLE,
    GIVES,
    HIGH,
    INPUT,
    NOBODY,
    OUTPUT,
    PAPER,
    TAKES,
    plan,
    set_ready,
)

SOON = 64  # T-states until a partner strobes in a copy of the machine


def _port_words(s: Any, m: Any, k: int) -> str:
    p, name = s.port[k], "AB"[k]
    mode = ("output", "input", "bidirectional", "bit control")[int(p.mode)]
    words = [f"port {name}: mode {int(p.mode)} ({mode})"]
    if p.asleep:
        words.append("in reset until a control word comes")
    if p.mode == BITS:
        words.append(f"inputs {int(p.dirs):02X}h, watched {int(~p.mask & 0xFF):02X}h "
                     f"{'AND' if p.control & AND else 'OR'}, "
                     f"{'high' if p.control & HIGH else 'low'} active")
    words.append(f"output {int(p.out):02X}h, pins {int(p.pins):02X}h, RDY {int(p.rdy)}, "
                 f"{int(p.strobes)} strobes")
    words.append(f"vector {int(p.vector):02X}h, interrupts "
                 f"{'on' if p.control & ENABLE else 'off'}")
    if p.pending:
        words.append("interrupt pending")
    if m.ius[s.slot] >> k & 1:
        words.append("interrupt in service")
    if p.expects:
        words.append(f"waits for its {'directions' if p.expects == DIRECTIONS else 'mask'}")
    return ", ".join(words)


def describe(m: Any, s: Any) -> list[str]:
    """Give both ports in words."""
    out = [_port_words(s, m, k) for k in range(2)]
    for k in range(2):
        p = s.port[k]
        if p.texts:
            out.append(f"port {'AB'[k]}: {int(p.given)} of {int(p.texts)} bytes given")
        if p.papers:
            last = [int(p.paper[n % PAPER]) for n in range(max(int(p.papers) - PAPER, 0),
                                                           int(p.papers))]
            out.append(f"port {'AB'[k]}: {int(p.papers)} bytes taken, the last "
                       f"{bytes(last)!r}")
    return out


def requests(m: Any, s: Any) -> list[Request]:
    """Give the two ports."""
    reports = {OUTPUT: roles.SENDS, INPUT: roles.RECEIVES}
    return [Request(k, f"port {'AB'[k]}", reports.get(int(p.mode), roles.OTHER),
                    bool(p.control & ENABLE), bool(p.pending), _port_words(s, m, k))
            for k, p in enumerate(s.port)]


def complaints(_: Any, s: Any) -> list[Complaint]:
    """Give ports in reset, half programmed, or with a byte that no partner takes."""
    out = []
    for k, p in enumerate(s.port):
        name = "ab"[k]
        part, control = f"port {name}", f"control-{name}"
        if p.asleep:
            out.append(Complaint(roles.HELD_IN_RESET, part, control))
        if p.expects:
            out.append(Complaint(roles.CONSTANT_AWAITED, part, control))
        if not p.asleep and p.mode in (OUTPUT, INPUT) and p.rdy and p.partner == NOBODY:
            out.append(Complaint(roles.WAITS_FOR_PARTNER, part, f"data-{name}",
                                 jumper=f"partner-{name}",
                                 mend="takes" if p.mode == OUTPUT else "gives"))
    return out


def _strobed(k: int) -> Any:
    def mend(m: Any, s: Any) -> None:
        p = s.port[k]
        p.partner = TAKES if p.mode == OUTPUT else GIVES
        p.strobe_t = m.t + SOON
        plan(m, s)
        m.next_event = 0

    return mend


def _primed(k: int) -> Any:
    def mend(m: Any, s: Any) -> None:
        set_ready(m, s, np.int64(k), np.int64(1), np.int64(m.t))
        m.next_event = 0

    return mend


def no_strobe(s: Any, k: int) -> Trouble | None:
    """A port that is ready, and whose partner never strobes."""
    p, name = s.port[k], "ab"[k]
    if p.mode not in (OUTPUT, INPUT) or not p.rdy or p.partner != NOBODY:
        return None
    what = (f"the byte {int(p.out):02X}h stands on its lines" if p.mode == OUTPUT else
            "it waits for a byte from outside")
    return Trouble(
        "no-strobe", f"{{card}} waits for a strobe at port {name.upper()}, and none comes.",
        [f"Port {name.upper()} is in mode {int(p.mode)}; {name.upper()}RDY is high since T-state "
         f"{int(p.ready_t)}: {what}.",
         f"{int(p.strobes)} strobes have come at {name.upper()}STB since the mode was set."],
        [f"Connect what stands at port {name.upper()}: a wire to {name}stb, or partner-{name} = "
         f"\"{'takes' if p.mode == OUTPUT else 'gives'}\" in slot {{slot}}.",
         f"If nobody answers there with strobes, use mode 3 (CFh to {{control-{name}}}), which "
         f"has no handshake, or give the wait a time-out."], int(p.ready_t), _strobed(k))


def never_read(s: Any, k: int) -> Trouble | None:
    """An input port that says that it is not ready, as nobody has read it yet."""
    p, name = s.port[k], "ab"[k]
    if p.mode != INPUT or p.asleep or p.rdy or p.reads:
        return None
    return Trouble(
        "never-ready", f"{{card}} never raises {name.upper()}RDY: nobody has read port "
                       f"{name.upper()} since it became an input.",
        [f"Port {name.upper()} is in mode 1, and {{data-{name}}} has not been read since.",
         f"{name.upper()}RDY is low; who waits for it gives nothing."],
        [f"Read {{data-{name}}} once after the mode word, and throw the byte away: the read "
         f"raises RDY."], int(p.ready_t), _primed(k))


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    found = [check(s, k) for k in range(2) for check in (no_strobe, never_read)]
    return [trouble for trouble in found if trouble is not None]
