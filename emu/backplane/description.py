"""Read a backplane file: TOML in, a checked description out, or one clear line.

The form is documented in the README.  Everything is validated here, before a machine is
built: names, jumpers, ports, wires, the chain, and the images.
"""
from __future__ import annotations

import codecs
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from emu.backplane.card_catalogue import named_card
from emu.backplane.faults import Fault, check_chain, check_count, parse
from emu.backplane.faults import settle as settle_fault
from emu.backplane.jumpers import settle
from emu.backplane.port_rows import GENERAL, PortRow, port_rows
from emu.backplane.slot_files import (
    absent_files,
    add_names,
    load_images,
    source_folders,
    there,
    without,
)
from emu.bus.state import CHAINED_INTERRUPT, SLOTS, WIRES
from emu.card.contract import Card
from emu.errors import InputError, nearest
from emu.files.image import Image
from emu.files.inputfile import read_limited
from emu.media.bay import Original
from emu.media.drive import disk_in
from emu.media.files import open_blocks

CPU_CARD = "z80-cpu"
TOP = ("name", "extends", "backplane", "slot", "wire", "fault")
BACKPLANE = ("chain", "look-ahead", "floating", "seed")
FLOATING = ("pull-ups", "last-byte")
SIZE_LIMIT = 1 << 20
DEEPEST = 16
NESTING = 32  # tables and lists inside one another
SLOT_NAME = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True)
class SlotDescription:
    """One card in its place."""

    name: str
    card: Card
    settings: Mapping[str, Any]
    ports: tuple[PortRow, ...]
    images: Mapping[str, Image]
    waits_io: int
    waits_mem: int
    waits_m1: int
    place: str  # "FILE: slot.NAME", for messages
    media: Mapping[str, Original | None] = field(default_factory=dict)  # by jumper name
    absent: tuple[Path, ...] = ()  # files of images and names that are not there yet
    given: frozenset[str] = frozenset()  # jumpers that the file sets
    sources: tuple[Path, ...] = ()  # folders in which sources are looked for

    @property
    def image(self) -> Image | None:
        """What is burned into the card's chip; None: nothing, or it has none."""
        return self.images.get(self.card.chip or "")


@dataclass(frozen=True)
class Wire:
    """A line from an output of one slot to an input of another."""

    source: str
    output: int
    target: str
    input: int


@dataclass(frozen=True)
class Description:
    """A checked machine."""

    path: Path
    name: str
    slots: tuple[SlotDescription, ...]
    chain: tuple[str, ...] | None
    wires: tuple[Wire, ...]
    floating: str
    seed: int
    cpu_hz: Fraction
    faults: tuple[Fault, ...] = ()
    look_ahead: bool = False  # gates beside the chain: IEI does not ripple through the chips


def read_toml(path: Path, what: str = "backplane file") -> dict[str, Any]:
    """Read a TOML file; InputError with line and column when it is broken."""
    data = read_limited(path, what, SIZE_LIMIT, empty=True).removeprefix(codecs.BOM_UTF8)
    try:
        tree = tomllib.loads(data.decode())
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(f"{path}:{line}: is not UTF-8 text; a {what} is a text file in "
                         f"TOML.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: broken TOML: {error}.") from None
    except ValueError:  # Python's own limit, not TOML's
        raise InputError(f"{path}: holds a number of some thousand digits; shorten it.") from None
    if _depth(tree) > NESTING:
        raise InputError(f"{path}: tables or lists stand more than {NESTING} deep inside one "
                         f"another; a {what} needs four.")
    return tree


def _depth(tree: Any) -> int:
    """Count how deep tables and lists are nested, no further than one past the limit."""
    level, depth = [tree], 0
    while level and depth <= NESTING:
        level = [inner for outer in level if isinstance(outer, dict | list)
                 for inner in (outer.values() if isinstance(outer, dict) else outer)]
        depth += 1
    return depth


def _resolved(path: Path) -> Path:
    """Give the one name of a file; InputError for what cannot be a path."""
    try:
        return path.resolve()
    except (ValueError, RuntimeError, OSError):
        raise InputError(f"{str(path)!r} leads to no file: it links to itself or holds a zero "
                         f"byte; check the path.") from None


def _merge(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Lay one table over another, key by key."""
    out = dict(base)
    for key, value in over.items():
        if isinstance(value, Mapping) and isinstance(out.get(key), Mapping):
            out[key] = _merge(out[key], value)
        else:
            out[key] = value
    return out


def _tables(table: Any, place: str) -> dict[str, Any]:
    if not isinstance(table, Mapping):
        raise InputError(f"{place} must be a table, not {table!r}.")
    return dict(table)


def slot_card(table: Mapping[str, Any]) -> Card | None:
    """Give the card that a slot's table names, None where it names none that there is."""
    name = table.get("card")
    try:
        return _variant(name, "")[0] if isinstance(name, str) else None
    except InputError:
        return None  # told when the slot is described


def chip_setting(table: Mapping[str, Any]) -> str | None:
    """Name the setting of a slot's table that says what is burned into its card's chip, None
    where the table has none."""
    card = slot_card(table)
    return card.chip if card is not None and card.chip in table else None


def _placed(tree: dict[str, Any], path: Path, below: Mapping[str, Any]) -> dict[str, Any]:
    """Note in every slot which file its paths are relative to; ``below``: the slots extended."""
    for name, slot in _tables(tree.get("slot", {}), f"{path}: slot").items():
        own = _tables(slot, f"{path}: slot.{name}")
        if Path(str(own.get("card", ""))).suffix in (".toml", ".py"):
            slot["card"] = own["card"] = str(path.parent / str(own["card"]))
        under = below.get(name, {})
        card = slot_card({**(under if isinstance(under, Mapping) else {}), **own})
        kinds = {jumper.name: jumper.kind for jumper in card.jumpers} if card is not None else {}
        for key, value in own.items():
            slot[key] = _on_path(key if key in ("symbols", "sources") else kinds.get(key, ""),
                                 value, path.parent)
    return tree


def _on_path(kind: str, value: Any, folder: Path) -> Any:
    """Give a setting with the files that it names, by its jumper's kind, as seen from here."""
    def seen(item: Any) -> Any:
        return str(folder / item) if isinstance(item, str) else item

    if kind == "symbols" and isinstance(value, Mapping):
        return {name: _on_path(kind, each, folder) for name, each in value.items()}
    if kind in ("file", "medium", "symbols", "sources"):
        return [seen(item) for item in value] if isinstance(value, list) else seen(value)
    if kind == "files" and isinstance(value, Mapping):
        return {name: seen(item) for name, item in value.items()}
    if kind == "drive" and isinstance(value, Mapping) and "medium" in value:
        return {**value, "medium": seen(value["medium"])}
    return value


def load_tree(path: Path, seen: tuple[Path, ...] = ()) -> dict[str, Any]:
    """Read a backplane file with what it extends."""
    path = Path(path)
    here = _resolved(path)
    if here in seen:
        raise InputError(f"{path}: the files extend each other in a circle; break it.")
    if len(seen) >= DEEPEST:
        raise InputError(f"{path}: more than {DEEPEST} files extend one another.")
    tree = read_toml(path)
    for key in tree:
        if key not in TOP:
            raise InputError(f"{path}: unknown key {key!r}; {nearest(key, TOP)}")
    base = tree.pop("extends", None)
    if base is None:
        return _placed(tree, path, {})
    if not isinstance(base, str):
        raise InputError(f"{path}: extends takes a file's path, not {base!r}.")
    below = load_tree(path.parent / base, (*seen, here))
    return _merge(below, _placed(tree, path, below.get("slot", {})))


def _variant(name: str, place: str) -> tuple[Card, dict[str, Any]]:
    """Find a card, or a data-only variant of one in a TOML file, with its defaults."""
    if not name.endswith(".toml"):
        return named_card(name, place), {}
    path = Path(name)
    tree = read_toml(path, "board variant")
    base = tree.pop("card", None)
    if not isinstance(base, str):
        raise InputError(f'{path}: a board variant says which card it derives from, such as '
                         f'card = "z80-sio".')
    tree.pop("summary", None)
    if base.endswith(".py"):
        base = str(path.parent / base)
    return named_card(base, str(path)), tree


def _media(card: Card, settings: Mapping[str, Any], place: str) -> dict[str, Original | None]:
    """Open what stands in a card's drives and sockets; None: an empty one."""
    out: dict[str, Original | None] = {}
    for jumper in card.jumpers:
        value, spot = settings[jumper.name], f"{place}: {jumper.name}"
        if jumper.kind == "drive" and value is not None:
            out[jumper.name] = disk_in(value, spot)
        elif jumper.kind == "medium":
            out[jumper.name] = _blocks(value, settings, spot)
    return out


def _blocks(value: Any, settings: Mapping[str, Any], spot: str) -> Original | None:
    if value is None:
        return None
    try:
        return open_blocks(Path(value), bool(settings.get("write-protect", False)),
                           int(settings.get("blank", 0)))
    except InputError as error:
        raise InputError(f"{spot}: {error}") from None


def _check_shared(slots: Mapping[str, SlotDescription]) -> None:
    """Refuse one file in two drives when a drive may write to it."""
    seen: dict[Path, tuple[str, bool]] = {}
    for slot in slots.values():
        for name, original in slot.media.items():
            if original is None or original.path is None:
                continue
            path, spot = _resolved(original.path), f"{slot.place}: {name}"
            other, protected = seen.setdefault(path, (spot, True))
            if other != spot and not (protected and original.protected):
                raise InputError(f"{spot}: {original.path} is in another drive as well ({other}); "
                                 f"copy it, or write-protect both.")
            seen[path] = (other, protected and original.protected)


def _slot(name: str, table: Mapping[str, Any], path: Path, unbuilt: bool) -> SlotDescription:
    if SLOT_NAME.fullmatch(name) is None or name == "open":
        raise InputError(f"{path}: a slot cannot be named {name!r}; use letters, digits, - and _, "
                         f"and not the word open.")
    place = f"{path}: slot.{name}"
    table = {k: v for k, v in table.items() if k != "fitted"}
    card_name = table.pop("card", None)
    if not isinstance(card_name, str):
        raise InputError(f'{place} needs a card, such as card = "plain-memory".')
    card, defaults = _variant(card_name, place)
    table = {**defaults, **table}
    general = {key: table.pop(key) for key in list(table) if key in GENERAL}
    symbols = table.pop("symbols", None)
    sources = source_folders(table.pop("sources", []), place)
    settings = settle(card, table, place)
    absent = absent_files(card, settings, symbols) if unbuilt else {}
    if absent:
        symbols = there(symbols, absent, card.chip)
    images = add_names(load_images(card, without(card, settings, absent), place), card.chip,
                           symbols, place)
    ports, waits = port_rows(card, general, settings, place)
    return SlotDescription(name, card, settings, ports, images,
                           waits["waits-io"], waits["waits-mem"], waits["waits-m1"], place,
                           _media(card, settings, place), tuple(absent.values()),
                           frozenset(table), sources)


def _named(slot: SlotDescription, ports: set[int]) -> SlotDescription:
    """Take names of lists that have a port's number for what they are."""
    images = {key: replace(image, symbols=image.symbols.without_ports(ports))
              for key, image in slot.images.items()}
    return replace(slot, images=images)


def _chain(value: Any, slots: Mapping[str, SlotDescription], removed: set[str],
           path: Path) -> tuple[str, ...] | None:
    if value is None:
        return None
    place = f"{path}: backplane.chain"
    if not isinstance(value, list) or not all(isinstance(n, str) for n in value):
        raise InputError(f'{place} takes a list of slots such as ["ctc", "sio"].')
    names = [n for n in value if n not in removed]
    for name in names:
        if name == "open":
            continue
        if name not in slots:
            raise InputError(f"{place}: there is no slot {name!r}; {nearest(name, slots)}")
        if slots[name].card.interrupt != CHAINED_INTERRUPT:
            raise InputError(f"{place}: the card {slots[name].card.name} in slot {name!r} has no "
                             f"IEI and IEO; leave it out.")
        if names.count(name) > 1:
            raise InputError(f"{place}: slot {name!r} stands twice; a card has one IEI.")
    return tuple(names)


def _end(text: Any, slots: Mapping[str, SlotDescription], outputs: bool,
         place: str) -> tuple[str, int]:
    """Read one end of a wire, "slot.line"."""
    slot, dot, line = str(text).partition(".")
    if not isinstance(text, str) or not dot:
        raise InputError(f'{place} takes "slot.line", not {text!r}.')
    if slot not in slots:
        raise InputError(f"{place}: there is no slot {slot!r}; {nearest(slot, slots)}")
    card = slots[slot].card
    lines = card.outputs if outputs else card.inputs
    if line not in lines:
        raise InputError(f"{place}: the card {card.name} has no {'output' if outputs else 'input'}"
                         f" {line!r}; {nearest(line, lines)}")
    return slot, lines.index(line)


def _wires(value: Any, slots: Mapping[str, SlotDescription], removed: set[str],
           path: Path) -> tuple[Wire, ...]:
    if not isinstance(value, list):
        raise InputError(f"{path}: wire is written as [[wire]] tables.")
    out = []
    for number, table in enumerate(value, 1):
        place = f"{path}: wire {number}"
        table = _tables(table, place)
        if set(table) != {"from", "to"}:
            raise InputError(f'{place} takes from = "slot.output" and to = "slot.input".')
        if {str(table[k]).partition(".")[0] for k in table} & removed:
            continue
        source, output = _end(table["from"], slots, True, f"{place}: from")
        target, number_in = _end(table["to"], slots, False, f"{place}: to")
        out.append(Wire(source, output, target, number_in))
    if len(out) > WIRES:
        raise InputError(f"{path}: more than {WIRES} wires.")
    return tuple(out)


def _faults(value: Any, extra: Sequence[str], slots: Mapping[str, SlotDescription],
            chain: tuple[str, ...] | None, path: Path) -> tuple[Fault, ...]:
    """Check the file's faults and those of the command line."""
    if not isinstance(value, list):
        raise InputError(f"{path}: fault is written as [[fault]] tables.")
    given = [(_tables(table, f"{path}: fault {number}"), f"{path}: fault {number}")
             for number, table in enumerate(value, 1)]
    given += [(parse(text), f"--fault {text}") for text in extra]
    faults = tuple(settle_fault(table, tuple(slots), place) for table, place in given)
    check_count(faults, str(path))
    for fault, (_, place) in zip(faults, given, strict=True):
        check_chain(fault, chain, place)
    return faults


def describe(tree: Mapping[str, Any], path: Path, faults: Sequence[str] = (),
             unbuilt: bool = False) -> Description:
    """Check a merged tree and make the description, with further faults in their text form.

    ``unbuilt``: files of images and names need not exist; the slots tell which are absent.
    """
    plane = _tables(tree.get("backplane", {}), f"{path}: backplane")
    for key in plane:
        if key not in BACKPLANE:
            raise InputError(f"{path}: backplane: unknown key {key!r}; {nearest(key, BACKPLANE)}")
    tables = {name: _tables(table, f"{path}: slot.{name}") for name, table
              in _tables(tree.get("slot", {}), f"{path}: slot").items()}
    removed = {n for n, t in tables.items() if t.get("fitted") is False}
    slots = {n: _slot(n, t, path, unbuilt) for n, t in tables.items() if n not in removed}
    ports = {row.port & 0xFF for slot in slots.values() for row in slot.ports}
    slots = {name: _named(slot, ports) for name, slot in slots.items()}
    if len(slots) > SLOTS:
        raise InputError(f"{path}: {len(slots)} slots, but a backplane has at most {SLOTS}.")
    _check_shared(slots)
    cpus = [s for s in slots.values() if s.card.name == CPU_CARD]
    if len(cpus) != 1:
        raise InputError(f'{path}: a machine has one slot with card = "{CPU_CARD}", not '
                         f"{len(cpus)}.")
    floating = plane.get("floating", FLOATING[0])
    if floating not in FLOATING:
        raise InputError(f"{path}: backplane.floating takes {' or '.join(FLOATING)}, not "
                         f"{floating!r}.")
    look_ahead = plane.get("look-ahead", False)
    if not isinstance(look_ahead, bool):
        raise InputError(f"{path}: backplane.look-ahead takes true or false, not {look_ahead!r}.")
    seed = plane.get("seed", 1)
    if isinstance(seed, bool) or not isinstance(seed, int) or not 0 <= seed < 1 << 63:
        raise InputError(f"{path}: backplane.seed takes a whole number from 0, not {seed!r}.")
    clock = cpus[0].settings["clock"]
    if not isinstance(clock, Fraction):
        raise InputError(f'{cpus[0].place}: clock takes a frequency such as "6.144 MHz".')
    if clock < 1:
        raise InputError(f"{cpus[0].place}: clock: a CPU runs at 1 Hz or more, not at "
                         f"{float(clock):g} Hz.")
    name = tree.get("name", path.stem)
    if not isinstance(name, str):
        raise InputError(f"{path}: name takes a text, not {name!r}.")
    chain = _chain(plane.get("chain"), slots, removed, path)
    return Description(path, name, tuple(slots.values()), chain,
                       _wires(tree.get("wire", []), slots, removed, path), floating, seed, clock,
                       _faults(tree.get("fault", []), faults, slots, chain, path), look_ahead)


def load(path: Path | str, faults: Sequence[str] = (), unbuilt: bool = False) -> Description:
    """Read and check a backplane file; InputError names the file, the place and the mend.

    ``faults``: further ones in their text form, see emu/backplane/faults.py.  ``unbuilt``: see
    `describe`.
    """
    path = Path(path)
    return describe(load_tree(path), path, faults, unbuilt)
