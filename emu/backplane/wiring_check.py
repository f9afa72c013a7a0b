"""The check before power-on: what can be told to be wrong without running.

No rule names a card: they look at what cards declare.  Rules on memory and on how settings
are written stand beside this file.
"""
from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import groupby

from emu.backplane.description import CPU_CARD, Description, SlotDescription
from emu.backplane.finding import ERROR, NOTE, WARNING, Finding
from emu.backplane.jumpers import TERMINAL
from emu.backplane.memory_rules import MEMORY_RULES
from emu.backplane.port_rows import apart
from emu.backplane.rate_search import WORST, reach
from emu.backplane.setting_rules import SETTING_RULES
from emu.bus.state import CHAINED_INTERRUPT, PLAIN_INTERRUPT
from emu.card.rate_ways import BAUD
from emu.files.inputfile import is_text

NAMED = 3  # rates that a remedy names
TEXT = 16  # bytes from which on a file of letters only is taken for text


def _low_ports(slot: SlotDescription) -> dict[int, str]:
    """Give the low port bytes at which a card answers, with the register."""
    out: dict[int, str] = {}
    for row in slot.ports:
        for low in range(256):
            if (low ^ row.port) & row.mask & 0xFF == 0:
                out.setdefault(low, slot.card.registers[row.register])
    return out


def _overlap(a: SlotDescription, b: SlotDescription, low: int) -> bool:
    """Tell whether two cards answer at one 16-bit port with this low byte."""
    return any((x.port ^ y.port) & x.mask & y.mask == 0
               and (low ^ x.port) & x.mask & 0xFF == 0 and (low ^ y.port) & y.mask & 0xFF == 0
               for x in a.ports for y in b.ports)


def clashes(d: Description) -> Iterator[Finding]:
    """Find ports at which two cards answer."""
    ports = [(slot, _low_ports(slot)) for slot in d.slots]
    for k, (a, at_a) in enumerate(ports):
        for b, at_b in ports[k + 1:]:
            shared = [low for low in sorted(at_a.keys() & at_b.keys()) if _overlap(a, b, low)
                      and not apart(a, at_a[low], b, at_b[low])]
            if shared:
                low = shared[0]
                yield Finding(
                    ERROR, "port-clash", b.name, "base",
                    f"{a.name} ({at_a[low]}) and {b.name} ({at_b[low]}) both answer at port "
                    f"{low:02X}h" + (f" and {len(shared) - 1} more" if len(shared) > 1 else "")
                    + ".", f"Move one of them: set base in slot.{b.name}.")


def own_overlaps(d: Description) -> Iterator[Finding]:
    """Find registers that hide one another in one card's decode; one that is only read and one
    that is only written may share a port."""
    for slot in d.slots:
        seen: dict[tuple[int, int], int] = {}
        for row in slot.ports:
            key = (row.port, row.mask)
            names = slot.card.registers
            if key in seen and seen[key] != row.register and not apart(
                    slot, names[seen[key]], slot, names[row.register]):
                yield Finding(
                    ERROR, "decode-overlap", slot.name, "mirrors",
                    f"registers {names[seen[key]]} and {names[row.register]} of {slot.name} "
                    f"stand at the same port {row.port:02X}h.",
                    "Let fewer address bits be ignored (mirrors), or set ports apart.")
            seen.setdefault(key, row.register)


def _interrupts(slot: SlotDescription) -> int:
    return 0 if slot.settings.get("interrupt", True) is False else slot.card.interrupt


def chain(d: Description) -> Iterator[Finding]:
    """Find breaks in the interrupt chain, and a chain that is missing."""
    chained = [s.name for s in d.slots if _interrupts(s) == CHAINED_INTERRUPT]
    if d.chain is None:
        if len(chained) > 1:
            yield Finding(
                WARNING, "no-chain", chained[1], "chain",
                f"{', '.join(chained)} interrupt with vectors, but the backplane has no chain: "
                f"every IEI is high, so two may answer one acknowledge.",
                'Give the order from the CPU end, such as chain = ["'
                + '", "'.join(chained) + '"].')
        return
    broken = False
    for name in d.chain:
        if name == "open":
            broken = True
        elif broken and name in chained:
            yield Finding(
                ERROR, "chain-break", name, "chain",
                f"{name} stands below a slot without its IEI-IEO jumper: its IEI is low, so it "
                f"never interrupts.", "Set the jumper of the empty slot (take \"open\" out).")
    for name in chained:
        if name not in d.chain and len(chained) > 1:
            yield Finding(
                WARNING, "not-in-chain", name, "chain",
                f"{name} interrupts with a vector but does not stand in the chain: its IEI is "
                f"always high.", f"Put {name} into backplane.chain.")


def modes(d: Description) -> Iterator[Finding]:
    """Find cards without a vector beside cards with one."""
    plain = [s.name for s in d.slots if _interrupts(s) == PLAIN_INTERRUPT]
    vectored = [s.name for s in d.slots if _interrupts(s) == CHAINED_INTERRUPT]
    if plain and vectored:
        yield Finding(
            WARNING, "mixed-modes", plain[0], "interrupt",
            f"{', '.join(plain)} interrupts without a vector (mode 1), {', '.join(vectored)} "
            f"with one (mode 2): in mode 2 nobody answers the acknowledge of {plain[0]}. Not "
            f"always fatal: the run decides.",
            f"Poll {plain[0]} (interrupt = false), or use a serial card with a vector.")


def baud(d: Description) -> Iterator[Finding]:
    """Find terminals whose rate nothing that the card can be programmed for comes near."""
    for slot in d.slots:
        for channel in slot.card.channels:
            ending = f"-{channel}" if channel else ""
            table = slot.settings.get("terminal" + ending)
            spare = channel != slot.card.channels[0] and table == TERMINAL  # nothing said of it
            if table is None or spare:
                continue
            ways = [one for one in reach(d, BAUD, Fraction(table["baud"]), slot.name)
                    if one.way.part == channel]
            if not ways or min(abs(one.error) for one in ways) <= WORST:
                continue
            ways.sort(key=lambda one: abs(one.error))
            rates = dict.fromkeys(f"{float(one.way.rate):.7g}" for one in ways if not one.way.note)
            yield Finding(
                WARNING, "baud-error", slot.name, "terminal" + ending,
                f"the clock of {slot.name} gives {float(ways[0].way.rate):.7g} baud at best, "
                f"{float(abs(ways[0].error)) * 100:.1f} % from the terminal's {table['baud']}: "
                f"{ways[0].way.words}.",
                f"Change what clocks {slot.name}" + (f", or set the terminal to one of "
                                           f"{', '.join([*rates][:NAMED])}." if rates else "."))


def tick(d: Description) -> Iterator[Finding]:
    """Note that nothing in the machine can give a tick."""
    sources = [s for s in d.slots if _interrupts(s) and not s.card.channels]
    if not sources:
        yield Finding(
            NOTE, "no-tick-source", "", "", "no card is fitted that can interrupt at a steady "
            "rate: software that waits for a tick waits for ever.",
            "Fit a counter/timer if the software needs one.")


def delay(d: Description) -> Iterator[Finding]:
    """Note a chain that is too long to settle within an acknowledge.

    IEO has to ripple from M1 falling to IORQ falling, 2.5 clocks: 2.5 Tc > (N - 2) Td(IEI, IEO)
    + Td(M1, IEO) + Ts(IEI, IORQ).  The technical manual of the Z80 PIO names four chips as the
    most without external logic; the rule and the times from memory of the product specification.
    """
    grades = ((Fraction(2_500_000), 300, 190, 140), (Fraction(4_000_000), 190, 130, 140),
              (Fraction(6_200_000), 100, 120, 100))  # rated clock, ns
    rated, first, each, setup = next((g for g in grades if d.cpu_hz <= g[0]), grades[-1])
    have = Fraction(5 * 10**9, 2) / d.cpu_hz
    most = max(1, (have - first - setup) // each + 2)
    vectored = {s.name for s in d.slots if s.card.interrupt == CHAINED_INTERRUPT}
    for unbroken, names in groupby(() if d.look_ahead else d.chain or (),
                                   lambda name: name != "open"):
        links = [name for name in names if name in vectored]
        if unbroken and len(links) > most:
            need = first + (len(links) - 2) * each + setup
            yield Finding(
                NOTE, "chain-delay", links[most], "chain",
                f"{len(links)} chips in the chain ({', '.join(links)}) with a CPU clock of "
                f"{float(d.cpu_hz) / 1e6:g} MHz: rated parts settle {most} in time without "
                f"look-ahead, so two may answer one acknowledge. They need {first} + "
                f"{len(links) - 2} x {each} + {setup} = {need} ns by the figures of the "
                f"{float(rated) / 1e6:.2g} MHz part, and have 2.5 clock periods, {float(have):.0f} "
                f"ns; wait states come behind /IORQ and do not help.",
                "Bridge the chain with look-ahead gates (look-ahead = true in [backplane]), or let "
                "the cards see IORQ later.")


def unclocked(d: Description) -> Iterator[Finding]:
    """Find terminals at channels that nothing clocks."""
    for slot in d.slots:
        for channel in slot.card.channels:
            ending = f"-{channel}" if channel else ""
            clock = f"clock{ending}"
            wired = any(w.target == slot.name and slot.card.inputs[w.input] == clock
                        for w in d.wires)
            if f"terminal{ending}" in slot.given and slot.settings.get(clock) == "none" \
                    and not wired:
                yield Finding(
                    WARNING, "no-clock", slot.name, clock,
                    f"a terminal stands at {slot.name}, and nothing clocks its channel"
                    f"{f' {channel}' if channel else ''}: no wire, and {clock} is none.",
                    f"Give slot.{slot.name} a {clock}, or a wire to it.")


def unreachable(d: Description) -> Iterator[Finding]:
    """Find cards that neither a port, nor memory, nor a wire leads to."""
    wired = {name for wire in d.wires for name in (wire.source, wire.target)}
    for slot in d.slots:
        if slot.card.name == CPU_CARD or slot.ports or slot.name in wired:
            continue
        if not slot.card.registers or slot.card.memory_size(slot.settings):
            continue
        yield Finding(
            WARNING, "unreachable", slot.name, "base",
            f"no port and no wire leads to {slot.name} ({slot.card.name}): the program cannot "
            f"tell that it is there.", f"Set base in slot.{slot.name}, or wire it.")


def images(d: Description) -> Iterator[Finding]:
    """Find chips with nothing in them, or with what is hardly code."""
    for slot in d.slots:
        image, chip = slot.image, slot.card.chip or ""
        for path in slot.absent:
            yield Finding(NOTE, "not-built", slot.name, chip, f"{path.name} of {slot.name} is "
                          f"not there yet.", "Build it before the machine is booted.")
        if chip and image is None and not slot.absent and slot.card.image_size(slot.settings):
            yield Finding(
                WARNING, "no-image", slot.name, chip,
                f"{slot.name} has no image: its ROM is blank, and FFh is RST 38h.",
                f'Give it one: {chip} = "FILE" in slot.{slot.name}.')
        start = min(image.segments, key=lambda s: s.physical) if image is not None else None
        if start is not None and start.data[:1] == b"\xff":
            yield Finding(
                WARNING, "blank-start", slot.name, chip,
                f"the image of {slot.name} begins with FFh (RST 38h).",
                "See whether it is the right file, for this address.")
        for name, held in slot.images.items():
            if held.kind == "raw" and len(held.segments[0].data) >= TEXT and is_text(
                    held.segments[0].data):
                yield Finding(
                    WARNING, "text-image", slot.name, name.partition(".")[0],
                    f"{held.path.name} in {slot.name} is text, not code: the CPU will run its "
                    f"letters.", "Name the file that the assembler or the linker wrote.")


RULES = (clashes, own_overlaps, chain, delay, modes, baud, unclocked, unreachable, tick, images,
         *MEMORY_RULES, *SETTING_RULES)


def check(d: Description) -> list[Finding]:
    """Give all findings, errors first."""
    found = [finding for rule in RULES for finding in rule(d)]
    return sorted(found, key=lambda f: (ERROR, WARNING, NOTE).index(f.level))
