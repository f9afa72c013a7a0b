"""Operators for the backplane: bases, register orders, cards, the chain, clocks and wires."""
from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Any

from mutants.kernel import MEMORY_CARDS, REGISTERS, Kernel
from mutants.labels import of_card
from mutants.model import BACKPLANE, Mutant, Registry, Setting
from mutants.places import interrupting

REGISTRY = Registry(BACKPLANE, 2)
SERIAL = ("z80-sio", "acia-6850", "uart-16550")
UNIT = {"hz": 1, "khz": 1_000, "mhz": 1_000_000}


def setting(kernel: Kernel, name: str, key: str, changes: Iterable[tuple[tuple[str, ...], Any]],
            names: Iterable[str], why: str, codes: tuple[str, ...] = ()) -> Mutant:
    """Make the mutant of a changed backplane file."""
    return Mutant(kernel.name, name, key, BACKPLANE, tuple(dict.fromkeys(names)), codes=codes,
                  why=why, settings=tuple(Setting(path, value) for path, value in changes))


def named(kernel: Kernel, slot: str) -> list[str]:
    """Name a slot and its ports."""
    return [slot, *(f"{port:#04x}" for port in kernel.ports_of(slot))]


def _cards(kernel: Kernel) -> dict[str, dict[str, Any]]:
    """Give the slots with a card at ports that is neither CPU nor memory."""
    return {name: slot for name, slot in kernel.slots.items()
            if slot["card"] not in (*MEMORY_CARDS, "z80-cpu") and kernel.ports_of(name)}


def _times(clock: str, factor: float) -> str:
    """Multiply a frequency such as ``614.4 kHz``."""
    found = re.match(r"\s*([\d.]+)\s*([kM]?Hz)\s*$", clock, re.I)
    if not found:
        raise ValueError(f"not a frequency: {clock!r}")
    return f"{round(float(found[1]) * UNIT[found[2].lower()] * factor)} Hz"


@REGISTRY.add("base-jumper-wrong")
def base(kernel: Kernel) -> list[Mutant]:
    """A card's base jumpers are set to another place."""
    out = []
    for name, slot in _cards(kernel).items():
        if "base" not in slot:
            continue
        size = len(kernel.ports_of(name))
        free = next((port for port in range(0x08, 0x100 - size, 8)
                     if all(port + n not in kernel.ports for n in range(size))), None)
        if free is not None:
            out.append(setting(kernel, "base-jumper-wrong", name, [(("slot", name, "base"), free)],
                               [*named(kernel, name), f"{free:#04x}"],
                               f"the card answers at {free:02X}h",
                               ("wrong-base", *of_card(kernel, name, "absent"))))
    return out


@REGISTRY.add("two-cards-at-one-base")
def clash(kernel: Kernel) -> list[Mutant]:
    """A card's base is that of another card."""
    cards = [(name, slot) for name, slot in _cards(kernel).items() if "base" in slot]
    out = []
    for (one, _), (two, other) in zip(cards, cards[1:], strict=False):
        out.append(setting(kernel, "two-cards-at-one-base", one,
                           [(("slot", one, "base"), other["base"])],
                           [*named(kernel, one), *named(kernel, two)],
                           "both cards answer one read, and neither the other's ports",
                           ("wrong-base", *of_card(kernel, one, "absent"))))
    return out


@REGISTRY.add("register-order-other")
def order(kernel: Kernel) -> list[Mutant]:
    """A card's registers stand in another order, as on another maker's board."""
    out = []
    for name, slot in kernel.slots_of("z80-sio", "z80-pio", "acia-6850").items():
        usual = REGISTERS[slot["card"]]
        now = tuple(slot.get("order", usual))
        turned = (now[0], now[2], now[1], now[3]) if len(now) == 4 else now[::-1]
        if "base" in slot and "-" not in now and len(now) in (2, 4):
            out.append(setting(kernel, "register-order-other", name,
                               [(("slot", name, "order"), list(turned))], named(kernel, name),
                               "control bytes arrive at data registers"))
    return out


@REGISTRY.add("card-missing")
def missing(kernel: Kernel) -> list[Mutant]:
    """A card is not fitted."""
    out = []
    for name in _cards(kernel):
        wires = [wire for wire in kernel.tree.get("wire", [])
                 if name not in (wire["from"].split(".")[0], wire["to"].split(".")[0])]
        changes: list[tuple[tuple[str, ...], Any]] = [(("slot", name, "fitted"), False)]
        if wires != kernel.tree.get("wire", []):
            changes.append((("wire",), wires))
        if name in kernel.chain:
            changes.append((("backplane", "chain"),
                            [slot for slot in kernel.tree["backplane"]["chain"] if slot != name]))
        out.append(setting(kernel, "card-missing", name, changes, named(kernel, name),
                           "nothing answers at its ports", of_card(kernel, name, "absent")))
    return out


@REGISTRY.add("serial-chip-other")
def other_chip(kernel: Kernel) -> list[Mutant]:
    """Another kind of serial chip stands in the slot."""
    out = []
    for name, slot in kernel.slots_of("z80-sio", "acia-6850").items():
        if "base" not in slot or any(name in (wire["from"].split(".")[0], wire["to"].split(".")[0])
                                     for wire in kernel.tree.get("wire", [])):
            continue
        sio = slot["card"] == "z80-sio"
        clock = slot.get("clock-a" if sio else "clock", "1.8432 MHz")
        terminal = slot.get("terminal-a" if sio else "terminal", {})
        new = {"card": "acia-6850", "base": slot["base"], "clock": clock, "terminal": terminal} \
            if sio else {"card": "z80-sio", "base": slot["base"], "clock-a": clock,
                         "clock-b": clock, "terminal-a": terminal}
        chain = list(kernel.tree.get("backplane", {}).get("chain", []))
        chain = [entry for entry in chain if entry != name] if sio else [*chain, name]
        changes: list[tuple[tuple[str, ...], Any]] = [(("slot", name), new)]
        if sio and name in kernel.chain or not sio:
            changes.append((("backplane", "chain"), chain))
        out.append(setting(kernel, "serial-chip-other", name, changes, named(kernel, name),
                           "the set-up bytes mean something else to it"))
    return out


@REGISTRY.add("chain-gap")
def gap(kernel: Kernel) -> list[Mutant]:
    """An empty slot without its jumper stands in the interrupt chain."""
    chain = list(kernel.tree.get("backplane", {}).get("chain", []))
    return [setting(kernel, "chain-gap", slot,
                    [(("backplane", "chain"), [*chain[:at], "open", *chain[at:]])],
                    [*kernel.chain[kernel.chain.index(slot):], "IEI"],
                    "no card behind the gap gets its acknowledge")
            for at, slot in enumerate(chain) if slot in kernel.slots]


@REGISTRY.add("chain-reversed-order")
def chain_order(kernel: Kernel) -> list[Mutant]:
    """The cards stand in the interrupt chain the other way round."""
    if len(kernel.chain) < 2:
        return []
    chain = kernel.tree["backplane"]["chain"]
    return [setting(kernel, "chain-reversed-order", "chain",
                    [(("backplane", "chain"), chain[::-1])], kernel.chain,
                    "the slow card holds up the fast one")]


@REGISTRY.add("int-not-wired")
def int_pin(kernel: Kernel) -> list[Mutant]:
    """A card's interrupt pin is not joined to the bus."""
    return [setting(kernel, "int-not-wired", name, [(("slot", name, "interrupt"), False)],
                    named(kernel, name), "the CPU never hears of its requests")
            for name, slot in kernel.slots.items()
            if slot["card"] in (*SERIAL, "z80-ctc", "z80-pio")]


def _lines(kernel: Kernel, name: str, line: str, why: str) -> list[Mutant]:
    out = []
    for slot, about in kernel.slots_of(*SERIAL).items():
        suffixes = ("-a", "-b") if about["card"] == "z80-sio" else ("",)
        for suffix in suffixes:
            if suffix and f"terminal{suffix}" not in about:
                continue
            out.append(setting(kernel, name, f"{slot}{suffix}",
                               [(("slot", slot, f"{line}{suffix}"), "high")],
                               [*named(kernel, slot), line], why))
    return out


@REGISTRY.add("cts-high")
def cts(kernel: Kernel) -> list[Mutant]:
    """CTS is not active at a serial chip."""
    return _lines(kernel, "cts-high", "cts", "the transmitter waits")


@REGISTRY.add("dcd-high")
def dcd(kernel: Kernel) -> list[Mutant]:
    """DCD is not active at a serial chip."""
    return _lines(kernel, "dcd-high", "dcd", "the receiver is off, or says so")


def _clocks(kernel: Kernel, name: str, change: Callable[[str], str], why: str) -> list[Mutant]:
    out = []
    for slot, about in kernel.slots_of(*SERIAL).items():
        for key in ("clock-a", "clock"):
            if isinstance(about.get(key), str) and about[key] != "none":
                out.append(setting(kernel, name, f"{slot}-{key}",
                                   [(("slot", slot, key), change(about[key]))],
                                   [*named(kernel, slot), "baud", "clock"], why))
    return out


@REGISTRY.add("crystal-double")
def double(kernel: Kernel) -> list[Mutant]:
    """The serial oscillator has twice the frequency."""
    return _clocks(kernel, "crystal-double", lambda c: _times(c, 2), "bits are half as long")


@REGISTRY.add("crystal-half")
def half(kernel: Kernel) -> list[Mutant]:
    """The serial oscillator has two thirds of the frequency."""
    return _clocks(kernel, "crystal-half", lambda c: _times(c, 2 / 3), "bits are too long")


@REGISTRY.add("terminal-other-rate")
def rate(kernel: Kernel) -> list[Mutant]:
    """The terminal is set to another rate."""
    out = []
    for slot, about in kernel.slots_of(*SERIAL).items():
        for key in ("terminal-a", "terminal"):
            if isinstance(about.get(key), dict) and "baud" in about[key]:
                out.append(setting(kernel, "terminal-other-rate", f"{slot}-{key}",
                                   [(("slot", slot, key, "baud"), about[key]["baud"] // 2)],
                                   [*named(kernel, slot), "baud"], "they do not understand"))
    return out


@REGISTRY.add("serial-clock-missing")
def no_clock(kernel: Kernel) -> list[Mutant]:
    """The oscillator of a serial chip does not swing."""
    return _clocks(kernel, "serial-clock-missing", lambda _: "none", "no bit ever ends")


@REGISTRY.add("trigger-missing")
def trigger(kernel: Kernel) -> list[Mutant]:
    """Nothing comes at a counter's trigger input."""
    return [setting(kernel, "trigger-missing", f"{slot}-{key}", [(("slot", slot, key), "none")],
                    [*named(kernel, slot), key], "the counter never counts",
                    ("timer-stopped", "no-tick", "blocked-transmitter", "wrong-baud"))
            for slot, about in kernel.slots_of("z80-ctc").items()
            for key in sorted(about) if key.startswith("trigger-") and about[key] != "none"]


@REGISTRY.add("wire-missing")
def wire(kernel: Kernel) -> list[Mutant]:
    """A wire between two cards is missing."""
    wires = kernel.tree.get("wire", [])
    out = []
    for at, row in enumerate(wires):
        ends = [row["from"], row["to"]]
        slots = [end.split(".")[0] for end in ends]
        out.append(setting(kernel, "wire-missing", f"{ends[0]}-{ends[1]}",
                           [(("wire",), [*wires[:at], *wires[at + 1:]])],
                           [*ends, *slots, *(end.split(".")[1] for end in ends)],
                           "what should come along it never comes"))
    return out


@REGISTRY.add("wire-at-neighbour")
def wire_other(kernel: Kernel) -> list[Mutant]:
    """A wire ends at the input beside the one that was meant."""
    wires = kernel.tree.get("wire", [])
    out = []
    for at, row in enumerate(wires):
        slot, pin = row["to"].split(".")
        swaps = {"clock-a": "clock-b", "clock-b": "clock-a", "trigger0": "trigger1",
                 "trigger1": "trigger2", "trigger2": "trigger3", "trigger3": "trigger2"}
        taken = {other["to"] for other in wires}
        if pin in swaps and f"{slot}.{swaps[pin]}" not in taken:
            new = {**row, "to": f"{slot}.{swaps[pin]}"}
            out.append(setting(kernel, "wire-at-neighbour", row["to"],
                               [(("wire",), [*wires[:at], new, *wires[at + 1:]])],
                               [*named(kernel, slot), row["to"], pin, row["from"],
                                row["from"].split(".")[0]],
                               "the input that was meant stays still",
                               ("timer-stopped", "no-tick", "blocked-transmitter", "wrong-baud",
                                "sender-never-asks", "interrupt-unwired", "receiver-off")))
    return out


@REGISTRY.add("cpu-clock-double")
def cpu_clock(kernel: Kernel) -> list[Mutant]:
    """The CPU's oscillator has twice the frequency."""
    return [setting(kernel, "cpu-clock-double", name,
                    [(("slot", name, "clock"), _times(slot.get("clock", "4 MHz"), 2))],
                    ["clock", "baud", "MHz", *interrupting(kernel)],
                    "what counts its cycles is twice as fast")
            for name, slot in kernel.slots_of("z80-cpu").items()]
