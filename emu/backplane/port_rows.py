"""Which ports a card's registers answer at: base, order, single ports, mirrors, width."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from emu.card.contract import READ_SIDE, WRITE_SIDE, Card
from emu.errors import InputError, nearest

GENERAL = ("base", "order", "ports", "mirrors", "decode", "waits-io", "waits-mem", "waits-m1")
GAP = "-"


@dataclass(frozen=True)
class PortRow:
    """A register answers where ``(port16 & mask) == port``."""

    register: int
    port: int
    mask: int


class Registers(Protocol):
    """A card with its settings."""

    @property
    def card(self) -> Card:
        """The card's declaration."""

    @property
    def settings(self) -> Mapping[str, Any]:
        """Its jumpers."""


def apart(a: Registers, register: str, b: Registers, other: str) -> bool:
    """Tell whether one register is only read and the other only written: they share a port."""
    sides = {a.card.sides(a.settings).get(register), b.card.sides(b.settings).get(other)}
    return sides == {READ_SIDE, WRITE_SIDE}


def _number(general: Mapping[str, Any], key: str, default: int, high: int, place: str) -> int:
    value = general.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= high:
        raise InputError(f"{place}: {key} takes a whole number from 0 to {high}, not {value!r}.")
    return value


def _register(card: Card, name: Any, place: str) -> int:
    if name not in card.registers:
        raise InputError(f"{place}: the card {card.name} has no register {name!r}; "
                         f"{nearest(str(name), card.registers)}")
    return card.registers.index(name)


def usual_order(card: Card, settings: Mapping[str, Any]) -> tuple[str, ...]:
    """Give the registers as they stand from the base on."""
    return card.order(settings) if card.order else card.registers


def _places(card: Card, general: Mapping[str, Any], settings: Mapping[str, Any], high: int,
            place: str) -> dict[int, int]:
    """Give the port of each register that has one."""
    out: dict[int, int] = {}
    if "base" in general:
        base = _number(general, "base", 0, high, place)
        order = general.get("order", usual_order(card, settings))
        if not isinstance(order, list | tuple):
            raise InputError(f"{place}: order takes a list of registers, not {order!r}.")
        for offset, name in enumerate(order):
            if name != GAP:
                out[_register(card, name, f"{place}: order")] = base + offset
    single = general.get("ports", {})
    if not isinstance(single, Mapping):
        raise InputError(f"{place}: ports takes a table such as {{ latch = 0x58 }}.")
    for name in single:
        register = _register(card, name, f"{place}: ports")
        out[register] = _number(single, name, 0, high, f"{place}: ports")
    for number, port in out.items():
        if port > high:
            raise InputError(f"{place}: register {card.registers[number]} would stand at port "
                             f"{port:X}h, beyond {high:X}h; lower the base.")
    return out


def port_rows(card: Card, general: Mapping[str, Any], settings: Mapping[str, Any],
              place: str) -> tuple[tuple[PortRow, ...], dict[str, int]]:
    """Work out a card's decode rows and its wait states; InputError on a mistake."""
    width = general.get("decode", 8)
    if type(width) is not int or width not in (8, 16):
        raise InputError(f"{place}: decode takes 8 or 16 (address lines), not {width!r}.")
    high = 0xFFFF if width == 16 else 0xFF
    mirrors = _number(general, "mirrors", 0, high, place)
    waits = {key: _number(general, key, 0, 200, place)
             for key in ("waits-io", "waits-mem", "waits-m1")}
    mask = high & ~mirrors
    rows = tuple(PortRow(register, port & mask, mask)
                 for register, port in sorted(
                     _places(card, general, settings, high, place).items()))
    if card.registers and card.needs_port and not rows:
        raise InputError(f"{place}: the card {card.name} has registers but no port; give it a "
                         f"base.")
    return rows, waits
