"""The cards there are: every module of the package ``peripherals`` with a ``CARD``."""
from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from pathlib import Path

import peripherals
from emu.backplane.card_files import load_card_file, load_installed
from emu.backplane.installed_cards import installed
from emu.card.contract import Card
from emu.errors import InputError, nearest


@cache
def cards() -> dict[str, Card]:
    """Give all cards by name; an import error in one of them propagates."""
    found: dict[str, Card] = {}
    for module in pkgutil.iter_modules(peripherals.__path__):
        card = getattr(importlib.import_module(f"peripherals.{module.name}"), "CARD", None)
        if card is not None:
            found[card.name] = card
    return dict(sorted(found.items()))


@cache
def _in_its_own_file(name: str) -> Card | None:
    """Give a card whose file is named like it: importing all of them takes 50 ms."""
    module = name.replace("-", "_")
    if not any(one.name == module for one in pkgutil.iter_modules(peripherals.__path__)):
        return None
    card = getattr(importlib.import_module(f"peripherals.{module}"), "CARD", None)
    return card if isinstance(card, Card) and card.name == name else None


def card(name: str, place: str = "") -> Card:
    """Find a card by name, ours or an installed one; InputError with the nearest known name."""
    found = _in_its_own_file(name)
    if found is not None:
        return found
    known = cards()
    if name in known:
        return known[name]
    others = installed()
    if name not in others:
        place = f"{place}: " if place else ""
        if "/" in name:
            raise InputError(f"{place}{name!r} is no card file: its name ends with .py.")
        raise InputError(f"{place}there is no card {name!r}; {nearest(name, {**known, **others})}")
    return load_installed(others[name])


def named_card(name: str, place: str = "") -> Card:
    """Give the card that a setting names: a card file's path, or a card's name."""
    if name.endswith(".py"):
        return load_card_file(Path(name))
    return card(name, place)
