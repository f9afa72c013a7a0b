"""Second runs: the same image on a changed backplane, to see which change lets it boot.

Only what a builder can change in the card cage is tried: a card fitted, a base address, a
jumper, the chain.  The inputs are those of the first run, at the same T-states.
"""
from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from emu.backplane.card_catalogue import cards
from emu.backplane.description import describe, load_tree
from emu.bus.state import CHAINED_INTERRUPT
from emu.card.contract import Card
from emu.card.number_words import time_words
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.silent_ports import silent_ports
from emu.diagnosis.trials.forks import woken_by_key
from emu.diagnosis.trials.moments import Anew
from emu.diagnosis.verdict import Finding
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.run.session import Session

# Causes that a jumper of the card concerned may cure.
BY_JUMPER = ("int-not-wired", "blocked-transmitter", "card-bit", "timer-stopped", "floating-vector")
LONGEST = 30  # emulated seconds of one: the usual limit of a boot
MOST = 10  # second runs of one explanation, each with at most one card to compile
MOST_PORTS = 6  # at which a timer is tried
Tree = dict[str, Any]


@dataclass(frozen=True)
class Remedy:
    """A change of the backplane file."""

    words: str  # "with ..."
    edit: Callable[[Tree], None]
    port: int | None = None  # silent until now, where it lets a card answer


@dataclass(frozen=True)
class SecondRun:
    """How the image ran on a changed backplane."""

    words: str
    verdict: str
    seconds: float | None  # emulated, to its prompt or the text; None: it did not get there
    port: int | None = None  # silent in the first run, and answered now
    further: bool = True  # False: it showed no more than the first run, but a key wakes it

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        return {"change": self.words, "verdict": self.verdict, "seconds": self.seconds}

    def line(self) -> str:
        """Say it in one sentence."""
        if not self.further:
            return f"Tried: {self.words} the same image goes on, and a key typed reaches it."
        where = "reaches its text" if self.verdict == "reached" else "reaches its prompt"
        took = time_words(self.seconds or 0.0, 4)
        return f"Tried: {self.words} the same image {where} in {took}."


def second_runs(case: Case, finding: Finding) -> list[SecondRun]:
    """Try the remedies that a changed backplane can give, until one boots."""
    path = case.machine.description.path
    try:
        tree = load_tree(path)
    except InputError:
        return []  # not from a file, or it is gone
    for number, remedy in enumerate(remedies(case, finding)):
        if number >= MOST or case.budget.left() <= 0:
            break
        done = _try(case, tree, remedy)
        if done is not None and done.seconds is not None:
            return [replace(done, port=remedy.port)]
    return []


def _try(case: Case, tree: Tree, remedy: Remedy) -> SecondRun | None:
    """Run the image on a changed backplane; None when it cannot be built so."""
    first = case.session
    changed = copy.deepcopy(tree)
    try:
        remedy.edit(changed)
        description = replace(describe(changed, case.machine.description.path),
                              faults=case.machine.description.faults)
        run = Anew(case, Machine(description, case.machine.seed), first.until)
    except (InputError, KeyError):
        return None
    machine, session = run.machine, run.session
    end = min(case.end, machine.at(LONGEST))
    step = machine.at(0.1)
    while int(machine.m.t) < end and not session.reached and case.budget.left() > 0:
        run.to(min(int(machine.m.t) + step, end))
    came = run.came()
    if came is not None:
        return SecondRun(remedy.words, "reached", float(machine.seconds(came[1])))
    if first.until is not None or (int(machine.m.halted) and not int(machine.m.iff1)):
        return SecondRun(remedy.words, "", None)
    woken = woken_by_key(machine, session.type_now)
    shown = float(machine.seconds(session.console.last_shown()))
    return SecondRun(remedy.words, "waiting-for-input" if woken else "", shown if woken else None,
                     further=_shown(session) != _shown(first))


def _shown(session: Session) -> list[bytes]:
    return [bytes(c.text) for c in session.console.channels.values() if c.text]


def remedies(case: Case, finding: Finding) -> Iterator[Remedy]:
    """List the changes that fit a finding, the likeliest first."""
    involved = finding.facts.get("slots") or [finding.facts.get("slot")]
    slots = [s for s in case.machine.slots if s.name in involved]
    if finding.cause.code == "chain-open" and "open" in (case.machine.description.chain or ()):
        yield Remedy("with the empty slot's IEI-IEO jumper set", _close_chain)
    if finding.cause.code in ("no-tick", "timer-stopped", "stops-itself", "masked-halt"):
        yield from _timers(case, finding)
    if "port" in finding.facts and not slots:
        yield from _moved(case, int(finding.facts["port"], 16))
        yield from _fitted(case, int(finding.facts["port"], 16))
    for slot in slots if finding.cause.code in BY_JUMPER else ():
        yield from _jumpers(slot.name, slot.card, slot.settings)


def _close_chain(tree: Tree) -> None:
    chain = tree["backplane"]["chain"]
    tree["backplane"]["chain"] = [name for name in chain if name != "open"]


def _timers(case: Case, finding: Finding) -> Iterator[Remedy]:
    """Fit a timer card, or move the one there is, to where the program writes."""
    led_there = [int(port, 16) for port in finding.facts.get("ports", ())]
    written = [silent.port for silent in silent_ports(case)]
    timers = [card for card in cards().values()
              if card.interrupt == CHAINED_INTERRUPT and card.timer]
    for port in list(dict.fromkeys(led_there + written))[:MOST_PORTS]:
        for card in timers:
            base = port & ~(_span(card) - 1) & 0xFF
            there = [s.name for s in case.machine.slots if s.card.functions == card.functions]
            for name in there:
                yield _at_base(name, base, port)
            if not there:
                yield Remedy(f"with a timer card ({card.name}) fitted at base {base:02X}h",
                             fitted(card, base), port)


def _span(card: Card) -> int:
    """Give the ports that a card takes, as a power of two."""
    return 1 << max(len(card.registers) - 1, 0).bit_length()


def fitted(card: Card, base: int) -> Callable[[Tree], None]:
    """Make a change that fits a card at a base, in a slot that is empty or new."""

    def edit(tree: Tree) -> None:
        slots = tree["slot"]
        name = next((n for n, t in slots.items()
                     if t.get("fitted") is False and t.get("card") == card.name), "")
        name = name or next(n for n in (f"fitted-{k}" for k in range(99)) if n not in slots)
        slots[name] = {**slots.get(name, {}), "card": card.name, "base": base, "fitted": True}
        plane = tree.setdefault("backplane", {})
        if card.interrupt == CHAINED_INTERRUPT and plane.get("chain") is not None:
            plane["chain"] = [name, *(n for n in plane["chain"] if n != name)]

    return edit


def _at_base(slot: str, base: int, port: int | None = None) -> Remedy:
    return Remedy(f"with slot.{slot} moved to base {base:02X}h (base = 0x{base:02X})",
                  _setting(slot, "base", base), port)


def _setting(slot: str, key: str, value: Any) -> Callable[[Tree], None]:
    def edit(tree: Tree) -> None:
        tree["slot"][slot][key] = value

    return edit


def _moved(case: Case, port: int) -> Iterator[Remedy]:
    """Move a fitted card so that one of its registers stands at a port."""
    for slot, described in zip(case.machine.slots, case.machine.description.slots, strict=True):
        if not slot.card.channels or not described.ports:
            continue
        first = min(row.port & 0xFF for row in described.ports)
        for offset in dict.fromkeys(row.port - first for row in described.ports):
            base = (port - offset) & 0xFF
            if base % _span(slot.card) == 0 and base != first:
                yield _at_base(slot.name, base)


def _fitted(case: Case, port: int) -> Iterator[Remedy]:
    """Fit a card so that it answers at a port: terminals first, memory last.

    A card that has no machine code yet is compiled when it is tried, so what is advised does
    not hang on what ran before; `MOST` bounds that too.
    """
    likely = sorted((card for card in cards().values() if card.registers),
                    key=lambda card: (not card.channels, "memory" in card.functions))
    for card in likely:
        base = port & ~(_span(card) - 1) & 0xFF
        yield Remedy(f"with a card {card.name} fitted at base {base:02X}h", fitted(card, base))


def _jumpers(name: str, card: Card, settings: Any) -> Iterator[Remedy]:
    """Change one jumper of a card: flags the other way, choices to each other one."""
    for jumper in card.jumpers:
        now = settings.get(jumper.name)
        if jumper.kind == "flag":
            word = "false" if now else "true"
            yield Remedy(f"with {jumper.name} = {word} in slot.{name}",
                         _setting(name, jumper.name, not now))
        elif jumper.kind == "choice" and isinstance(now, str):
            for choice in jumper.choices:
                if choice != now:
                    yield Remedy(f'with {jumper.name} = "{choice}" in slot.{name}',
                                 _setting(name, jumper.name, choice))
        elif jumper.kind == "clock" and now == "none":
            yield Remedy(f'with {jumper.name} = "1 MHz" in slot.{name}',
                         _setting(name, jumper.name, "1 MHz"))
