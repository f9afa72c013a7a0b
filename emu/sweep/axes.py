"""What a sweep varies: axes, each a list of values, and the machines of their product."""
from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from emu.backplane.description import CPU_CARD, chip_setting, slot_card
from emu.errors import InputError
from emu.knowngood.variants import image_slot

CARD_AXES = ("cards", "without")
MOST = 100_000  # machines of one sweep
Tree = Mapping[str, Any]


@dataclass(frozen=True)
class Choice:
    """One value of an axis: its name in the table, and what it changes."""

    label: str
    changes: Mapping[str, Any] = field(default_factory=dict)  # by dotted key, see variants.py
    seed: int | None = None
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
class Axis:
    """Something that is varied."""

    name: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True)
class Variant:
    """One machine of a sweep: a label for each axis, and all that is changed."""

    labels: tuple[tuple[str, str], ...]  # (axis, value)
    changes: Mapping[str, Any]
    seed: int | None
    faults: tuple[str, ...]


def fitted(tree: Tree) -> dict[str, Mapping[str, Any]]:
    """Give the slots of a tree that have their card in."""
    return {name: table for name, table in tree.get("slot", {}).items()
            if isinstance(table, Mapping) and table.get("fitted", True) is not False}


def removable(tree: Tree) -> list[str]:
    """List the slots that a machine may be tried without: not the CPU, not the image's."""
    return [name for name, table in fitted(tree).items()
            if table.get("card") != CPU_CARD and chip_setting(table) is None]


def product(axes: Sequence[Axis]) -> list[tuple[tuple[Choice, ...], Variant]]:
    """Give every combination of the axes' values, and its machine; the first axis slowest."""
    count = math.prod(len(axis.choices) for axis in axes)
    if count > MOST:
        raise InputError(f"these options ask for {count:,} machines; a sweep runs at most "
                         f"{MOST:,}: vary less at once.")
    return [(picked, _joined(axes, picked))
            for picked in itertools.product(*(axis.choices for axis in axes))]


def _joined(axes: Sequence[Axis], picked: Sequence[Choice]) -> Variant:
    changes: dict[str, Any] = {}
    for choice in picked:
        changes.update(choice.changes)
    return Variant(
        tuple((axis.name, choice.label) for axis, choice in zip(axes, picked, strict=True)),
        changes, next((c.seed for c in picked if c.seed is not None), None),
        tuple(itertools.chain.from_iterable(c.faults for c in picked)))


def without(names: Sequence[str]) -> dict[str, Any]:
    """Give the changes that take cards out."""
    return {f"slot.{name}.fitted": False for name in names}


def cards(tree: Tree, every_set: bool) -> Axis:
    """Vary the cards: all, and all but each one; or every set of them."""
    names = removable(tree)
    if every_set:
        out = [take for size in range(len(names) + 1)
               for take in itertools.combinations(names, size)]
    else:
        out = [(), *((name,) for name in names)]
    return Axis("without", tuple(Choice(", ".join(take) or "nothing", without(take))
                                 for take in out))


def sets_of(tree: Tree) -> Iterator[list[Choice]]:
    """Give the sets of cards, the smallest first: all those of one size at a time."""
    names = removable(tree)
    for size in range(len(names) + 1):
        yield [Choice(", ".join(kept) or "none", without([n for n in names if n not in kept]))
               for kept in itertools.combinations(names, size)]


def chain_orders(tree: Tree) -> Axis:
    """Vary the order of the interrupt chain."""
    chain = [n for n in tree.get("backplane", {}).get("chain") or [] if n in fitted(tree)]
    if len(chain) < 2:
        raise InputError("--chain-orders: fewer than two cards stand in the chain of this "
                         "backplane file, so there is one order.")
    if len(chain) > 7:
        raise InputError(f"--chain-orders: {len(chain)} cards have {math.factorial(len(chain)):,} "
                         f"orders; vary those that matter with --vary backplane.chain=...")
    return Axis("chain", tuple(Choice(" > ".join(order), {"backplane.chain": list(order)})
                               for order in itertools.permutations(chain)))


def cpu_setting(tree: Tree, key: str, values: Sequence[str]) -> Axis:
    """Vary a setting of the CPU card."""
    slot = next((n for n, t in fitted(tree).items() if t.get("card") == CPU_CARD), "cpu")
    return Axis(key, tuple(Choice(value, {f"slot.{slot}.{key}": value}) for value in values))


def waits(tree: Tree, counts: Sequence[int]) -> Axis:
    """Vary the wait states of all cards with memory."""
    slots = [name for name, table in fitted(tree).items() if _has_memory(table)]
    return Axis("waits", tuple(
        Choice(str(n), {f"slot.{slot}.{key}": n for slot in slots
                        for key in ("waits-m1", "waits-mem")})
        for n in counts))


def _has_memory(table: Mapping[str, Any]) -> bool:
    card = slot_card(table)
    return card is not None and bool("memory" in card.functions or card.chip in table)


def seeds(count: int) -> Axis:
    """Vary the noise at power-on."""
    return Axis("seed", tuple(Choice(str(n), seed=n) for n in range(1, count + 1)))


def images(tree: Tree, path: Path, files: Sequence[Path]) -> Axis:
    """Vary the image in the one slot that holds one."""
    slot = image_slot(tree, path)
    chip = chip_setting(tree["slot"][slot])
    return Axis("image", tuple(Choice(file.name, {f"slot.{slot}.{chip}": str(file)})
                               for file in files))


def faults(texts: Sequence[str]) -> Axis:
    """Vary the electrical faults: none, and each one."""
    return Axis("fault", (Choice("-"), *(Choice(text, faults=(text,)) for text in texts)))


def setting(text: str) -> Axis:
    """Vary any setting: "slot.sio.clock-a=614.4 kHz|1.8432 MHz", a TOML value or a text each."""
    key, equals, values = text.partition("=")
    key = key.strip()
    if not equals or not values or key.count(".") < 1:
        raise InputError(f'--vary takes a setting and its values, such as '
                         f'"slot.cpu.clock=4 MHz|6.144 MHz", not {text!r}.')
    return Axis(key.removeprefix("slot."), tuple(
        Choice(value.strip(), {key: _value(value.strip())}) for value in values.split("|")))


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text
