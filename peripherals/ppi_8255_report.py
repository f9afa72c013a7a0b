"""What an 8255 says of itself, and what goes wrong at it; plain Python over its record."""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from peripherals import ppi_8255_chip as chip
from peripherals.card import Complaint, Request, Trouble, roles
from peripherals.ppi_8255_chip import A_IN, B_IN, A, C

TAKER, GIVER = 1, 2  # kinds of partner, see ppi_8255.py
SOON = 64  # T-states until a partner acts in a copy of the machine


def _strobed(p: Any, k: int) -> bool:
    return int(chip.mode_of(p, np.int64(k))) != 0


def _inte(p: Any, k: int) -> dict[str, bool]:
    """Give the INTE bits that count at a port now, by the pin that sets them."""
    port = np.int64(k)
    bits = {}
    if chip.takes(p, port):
        bits["PC4" if k == A else "PC2"] = bool(p.inte4 if k == A else p.inte2)
    if chip.gives(p, port):
        bits["PC6" if k == A else "PC2"] = bool(p.inte6 if k == A else p.inte2)
    return bits


def port_words(p: Any, k: int) -> str:
    """Give port A or B in words."""
    name, mode = "AB"[k], int(chip.mode_of(p, np.int64(k)))
    way = ("both ways" if mode == 2 else
           "input" if int(p.control) & (A_IN if k == A else B_IN) else "output")
    words = [f"port {name}: mode {mode}, {way}", f"latch {int(p.latch[k]):02X}h",
             f"pins {int(p.pins[k]):02X}h"]
    if mode:
        if chip.takes(p, np.int64(k)):
            words.append(f"IBF {int(p.full[k])}")
        if chip.gives(p, np.int64(k)):
            words.append(f"OBF {int(p.empty[k])}")
        words += [f"INTE of {pin} {int(on)}" for pin, on in _inte(p, k).items()]
        words.append(f"INTR {int(chip.asks(p, np.int64(k)))}, {int(p.strobes[k])} strobes")
    return ", ".join(words)


def chip_words(p: Any) -> list[str]:
    """Give the chip's state in words."""
    if p.held:
        return ["held in reset: /RESET reaches RESET, which is active high, without an inverter"]
    c = int(chip.read_c(p))
    return [f"control word {int(p.control) | 0x80:02X}h, {int(p.mode_words)} mode words so far",
            port_words(p, 0), port_words(p, 1),
            f"port C reads {c:02X}h: latch {int(p.latch[C]):02X}h, pins {int(p.pins[C]):02X}h, "
            f"inputs {int(chip.inputs_of_c(p)):02X}h, handshakes {int(chip.functions(p)):02X}h"]


def describe(m: Any, s: Any) -> list[str]:
    """Give the chip and its partners in words."""
    out = chip_words(s.chip)
    for k, name in enumerate("AB"):
        w = s.partner[k]
        if w.texts:
            out.append(f"port {name}: {int(w.given)} of {int(w.texts)} bytes given")
        if w.papers:
            keep = len(w.paper)
            taken = range(max(int(w.papers) - keep, 0), int(w.papers))
            out.append(f"port {name}: {int(w.papers)} bytes taken, the last "
                       f"{bytes(int(w.paper[n % keep]) for n in taken)!r}")
    return out + risks(m, s)


def risks(_: Any, s: Any) -> list[str]:
    """Give what worked by luck."""
    if not s.chip.blind_reads:
        return []
    return [f"{int(s.chip.blind_reads)} reads of the control register, which an NMOS 8255 does "
            f"not give: they saw the floating bus"]


def requests(m: Any, s: Any) -> list[Request]:
    """Give INTR of ports A and B, where an inverter takes it to /INT."""
    found = []
    for k, name in enumerate("AB"):
        if int(s.inverters) >> k & 1:
            into, out = chip.takes(s.chip, np.int64(k)), chip.gives(s.chip, np.int64(k))
            what = (roles.OTHER if into == out else roles.RECEIVES if into else roles.SENDS)
            enabled = any(_inte(s.chip, k).values())
            found.append(Request(k, f"port {name}", what, enabled, bool(m.ip[s.slot] >> k & 1),
                                 port_words(s.chip, k)))
    return found


def complaints(_: Any, s: Any) -> list[Complaint]:
    """Give a chip that is held in reset, or a byte that no partner takes or gives."""
    p = s.chip
    if p.held:
        return [Complaint(roles.HELD_IN_RESET, "chip", "control", jumper="reset", mend="inverted")]
    return [Complaint(roles.WAITS_FOR_PARTNER, f"port {name}", f"port-{name}",
                      jumper=f"partner-{name}", mend=_wanted(p, k))
            for k, name in enumerate("ab") if _waits(p, k) and not s.partner[k].kind]


def _waits(p: Any, k: int) -> bool:
    """Tell whether a partner would be expected to act at a port."""
    port = np.int64(k)
    return bool(chip.gives(p, port) and not p.empty[k] or chip.takes(p, port) and not p.full[k])


def _wanted(p: Any, k: int) -> str:
    port = np.int64(k)
    return ("both" if chip.takes(p, port) and chip.gives(p, port) else
            "gives" if chip.takes(p, port) else "takes")


def held(m: Any, s: Any) -> Trouble | None:
    """A chip that never comes out of its reset."""
    if not s.chip.held:
        return None

    def mend(m: Any, s: Any) -> None:
        p = s.chip
        p.held = 0
        chip.clear(p, np.int64(p.before or p.control))
        p.latch[:] = p.wiped
        m.event_t[s.slot] = int(m.t) + 1
        m.next_event = 0

    return Trouble(
        "ppi-held-in-reset", "{card} is held in reset: it takes nothing that is written to it.",
        ["Its RESET pin is active high, and /RESET reaches it without an inverter (jumper reset = "
         "\"direct\"): whenever the machine runs, the chip is in reset.",
         "All its lines are inputs, and every port reads its pins."],
        ["Put an inverter between /RESET and the chip's RESET (reset = \"inverted\" in slot "
         "{slot})."], int(m.t), mend)


def wiped(_: Any, s: Any) -> Trouble | None:
    """Outputs that a mode word has cleared, and that nobody has set again."""
    p = s.chip
    # only what is an output now, as before, and has not been written since
    lost = [int(p.wiped[k]) & int(chip.driven(p, np.int64(k))) & ~int(p.latch[k])
            for k in range(3)]
    if not any(lost) or any(int(p.moved_t[k]) > int(p.mode_t) for k in range(3) if lost[k]):
        return None

    def mend(m: Any, s: Any) -> None:
        for k in range(3):
            s.chip.latch[k] = int(s.chip.latch[k]) | lost[k]
        m.event_t[s.slot] = min(int(m.event_t[s.slot]), int(m.t) + 1)
        m.next_event = 0

    before, now = int(p.before) | 0x80, int(p.control) | 0x80
    lines = ", ".join(f"P{'ABC'[k]}{bit}" for k in range(3) for bit in range(8)
                      if lost[k] >> bit & 1)
    evidence = [f"{now:02X}h was written to {{control}} at T-state {int(p.mode_t)}, by {{pc}}; "
                f"bit 7 makes it a mode word (the one before was {before:02X}h), and a mode word "
                f"clears every output.",
                f"Lost with it, and not set again since: {lines}."]
    remedy = ["Write the mode word before the outputs, or write the outputs again behind it."]
    if p.mode_words > 1 and not now & 0x70:
        remedy.append(f"If it was meant as bit set/reset, clear bit 7: write {now & 0x0F:02X}h to "
                      f"{{control}}.")
    return Trouble("ppi-wiped", "{card} has lost its outputs to a mode word.", evidence, remedy,
                   int(p.mode_t), mend)


def no_inte(s: Any, k: int) -> Trouble | None:
    """A flag that would ask, were its INTE set."""
    p, name = s.chip, "AB"[k]
    port = np.int64(k)
    pin = None
    if chip.takes(p, port) and p.full[k] and not (p.inte4 if k == A else p.inte2):
        pin, flag = ("PC4" if k == A else "PC2"), "IBF is 1: a byte has come"
    elif chip.gives(p, port) and p.empty[k] and not (p.inte6 if k == A else p.inte2):
        pin, flag = ("PC6" if k == A else "PC2"), "OBF is 1: there is room for a byte"
    if pin is None or not int(s.inverters) >> k & 1:
        return None
    bit = int(pin[2]) << 1 | 1

    def mend(m: Any, s: Any) -> None:
        chip.set_bit(s.chip, np.int64(bit))
        m.event_t[s.slot] = min(int(m.event_t[s.slot]), int(m.t) + 1)
        m.next_event = 0

    return Trouble(
        "ppi-no-inte", f"{{card}} does not ask for an interrupt at port {name}: its INTE is off.",
        [f"Port {name} is in mode {int(chip.mode_of(p, port))}, and {flag}.",
         f"INTE of {pin} is 0: a mode word clears it (the last came at T-state {int(p.mode_t)}), "
         f"and no bit set of {pin} has come behind it."],
        [f"Write {bit:02X}h to {{control}} (set {pin}) behind the last mode word."],
        max(int(p.mode_t), int(p.moved_t[k])), mend)


def no_strobe(s: Any, k: int) -> Trouble | None:
    """A strobed port whose partner never answers."""
    p, name = s.chip, "ab"[k]
    if not _strobed(p, k) or not _waits(p, k) or s.partner[k].kind:
        return None
    gives = bool(chip.gives(p, np.int64(k))) and not p.empty[k]
    pin = ("ACK (PC6)" if k == A else "ACK (PC2)") if gives else \
        ("STB (PC4)" if k == A else "STB (PC2)")
    what = (f"OBF is 0: the byte {int(p.latch[k]):02X}h stands on the lines" if gives else
            "IBF is 0: it waits for a byte from outside")

    def mend(m: Any, s: Any) -> None:
        w = s.partner[k]
        w.kind = TAKER if gives else GIVER
        if not gives and w.given >= w.texts:
            w.given, w.texts = 0, len(w.text)
        w.delay = SOON
        m.event_t[s.slot] = int(m.t) + 1
        if gives:
            w.take_t = int(m.t) + 1
        else:
            w.give_t = int(m.t) + 1
        m.next_event = 0

    return Trouble(
        "ppi-no-strobe", f"{{card}} waits for a strobe at port {name.upper()}, and none comes.",
        [f"Port {name.upper()} is in mode {int(chip.mode_of(p, np.int64(k)))}, and {what}.",
         f"{int(p.strobes[k])} strobes have come at {pin} since the mode was set."],
        [f"Connect what stands at port {name.upper()}: a wire to c{pin[-2]}, or partner-{name} = "
         f"\"{'takes' if gives else 'gives'}\" in slot {{slot}}.",
         "If nobody answers there with strobes use mode 0, or give the wait a time-out."],
        max(int(p.mode_t), int(p.moved_t[k])), mend)


CHECKS: tuple[Callable[[Any, int], Trouble | None], ...] = (no_inte, no_strobe)


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    if s.chip.held:
        found = [held(m, s)]
    else:
        found = [wiped(m, s), *(check(s, k) for k in range(2) for check in CHECKS)]
    return [trouble for trouble in found if trouble is not None]
