"""The check before power-on: what can be told to be wrong without running.

Each finding has a level (error, warning, note), a code, the slot and jumper it concerns,
what is wrong and what to do.  No rule names a card: they look at what cards declare.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from fractions import Fraction

from emu.backplane.description import Description, SlotDescription
from emu.backplane.jumpers import TERMINAL
from emu.backplane.rate_search import WORST, reach
from emu.bus.state import CHAINED_INTERRUPT, PLAIN_INTERRUPT
from emu.card.rate_ways import BAUD

ERROR, WARNING, NOTE = "error", "warning", "note"
NAMED = 3  # rates that a remedy names


@dataclass(frozen=True)
class Finding:
    """One thing found."""

    level: str
    code: str
    slot: str
    jumper: str
    text: str
    remedy: str

    def as_dict(self) -> dict[str, str]:
        """Give it as JSON takes it."""
        return asdict(self)


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
            shared = [low for low in sorted(at_a.keys() & at_b.keys()) if _overlap(a, b, low)]
            if shared:
                low = shared[0]
                yield Finding(
                    ERROR, "port-clash", b.name, "base",
                    f"{a.name} ({at_a[low]}) and {b.name} ({at_b[low]}) both answer at port "
                    f"{low:02X}h" + (f" and {len(shared) - 1} more" if len(shared) > 1 else "")
                    + ".", f"Move one of them: set base in slot.{b.name}.")


def own_overlaps(d: Description) -> Iterator[Finding]:
    """Find registers that hide one another in one card's decode."""
    for slot in d.slots:
        seen: dict[tuple[int, int], int] = {}
        for row in slot.ports:
            key = (row.port, row.mask)
            if key in seen and seen[key] != row.register:
                names = slot.card.registers
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


def memory(d: Description) -> Iterator[Finding]:
    """Find a machine with nothing to run, or nothing to run in."""
    sizes = [(s, s.card.memory_size(s.settings)) for s in d.slots]
    if not any(size for _, size in sizes):
        yield Finding(ERROR, "no-memory", "", "", "no memory card is fitted.",
                      "Fit one, such as plain-memory.")
    for slot, _ in sizes:
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


RULES = (clashes, own_overlaps, chain, modes, baud, memory, tick)


def check(d: Description) -> list[Finding]:
    """Give all findings, errors first."""
    found = [finding for rule in RULES for finding in rule(d)]
    return sorted(found, key=lambda f: (ERROR, WARNING, NOTE).index(f.level))
