"""Hold a card's settings, as the backplane file gives them, against its jumpers."""
from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any

from emu.bus.clock import parse_frequency
from emu.card.contract import Card, Jumper
from emu.errors import InputError, nearest
from emu.media.drive import drive

TERMINAL = {"baud": 115200, "format": "8N1", "flow": "none"}
FLOWS = ("none", "rts-cts")


def _whole(jumper: Jumper, value: Any, place: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise InputError(f"{place}: {jumper.name} takes a whole number from {jumper.low} to "
                         f"{jumper.high}, not {value!r}.")
    if not jumper.low <= value <= jumper.high:
        raise InputError(f"{place}: {jumper.name} = {value} lies outside {jumper.low} to "
                         f"{jumper.high}.")
    return value


def _choice(jumper: Jumper, value: Any, place: str) -> Any:
    if not any(type(value) is type(choice) and value == choice for choice in jumper.choices):
        choices = ", ".join(str(c) for c in jumper.choices)
        raise InputError(f"{place}: {jumper.name} takes {choices}, not {value!r}.")
    return value


def _flag(jumper: Jumper, value: Any, place: str) -> bool:
    if not isinstance(value, bool):
        raise InputError(f"{place}: {jumper.name} takes true or false, not {value!r}.")
    return value


def _clock(jumper: Jumper, value: Any, place: str) -> Fraction | str:
    if value in ("cpu", "none"):
        return str(value)
    if not isinstance(value, str):
        raise InputError(f'{place}: {jumper.name} takes a frequency such as "1.8432 MHz", '
                         f'"cpu" or "none", not {value!r}.')
    try:
        return parse_frequency(value)
    except ValueError as error:
        raise InputError(f"{place}: {jumper.name}: {error}.") from None


def terminal(value: Any, place: str) -> dict[str, Any]:
    """Check a terminal's table: baud, format such as 8N1, flow."""
    if not isinstance(value, Mapping):
        raise InputError(f'{place} takes a table such as {{ baud = 9600, format = "8N1" }}, '
                         f"not {value!r}.")
    for key in value:
        if key not in TERMINAL:
            raise InputError(f"{place}: unknown key {key!r}; {nearest(key, TERMINAL)}")
    table = {**TERMINAL, **value}
    baud = table["baud"]
    if isinstance(baud, bool) or not isinstance(baud, int) or not 1 <= baud <= 10_000_000:
        raise InputError(f"{place}: baud takes a whole number from 1 to 10000000, not {baud!r}.")
    form = str(table["format"])
    if len(form) < 3 or form[0] not in "5678" or form[1] not in "NOEMS" or \
            form[2:] not in ("1", "1.5", "2"):
        raise InputError(f'{place}: format takes data bits, parity (N, O, E, M, S) and stop '
                         f'bits such as "8N1" or "7E2", not {form!r}.')
    if table["flow"] not in FLOWS:
        raise InputError(f"{place}: flow takes {' or '.join(FLOWS)}, not {table['flow']!r}.")
    return table


def _file(jumper: Jumper, value: Any, place: str) -> str | None:
    if value is not None and not isinstance(value, str):
        raise InputError(f"{place}: {jumper.name} takes a file's path, not {value!r}.")
    return value


def _files(jumper: Jumper, value: Any, place: str) -> dict[str, str]:
    if not isinstance(value, Mapping) or not all(isinstance(v, str) for v in value.values()):
        raise InputError(f'{place}: {jumper.name} takes a table of names and files, such as '
                         f'{{ program = "program.bin@0x100" }}, not {value!r}.')
    return dict(value)


def _text(jumper: Jumper, value: Any, place: str) -> str:
    if not isinstance(value, str):
        raise InputError(f"{place}: {jumper.name} takes a text, not {value!r}.")
    return value


def _list(jumper: Jumper, value: Any, place: str) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple):
        raise InputError(f"{place}: {jumper.name} takes a list, not {value!r}.")
    for item in value:
        if jumper.choices and item not in jumper.choices:
            raise InputError(f"{place}: {jumper.name} takes {', '.join(map(str, jumper.choices))}, "
                             f"not {item!r}.")
    return tuple(value)


def _terminal(jumper: Jumper, value: Any, place: str) -> dict[str, Any]:
    return terminal(value, f"{place}: {jumper.name}")


def _drive(jumper: Jumper, value: Any, place: str) -> dict[str, Any] | None:
    return drive(value, f"{place}: {jumper.name}")


CHECKS: dict[str, Callable[[Jumper, Any, str], Any]] = {
    "int": _whole, "choice": _choice, "reading": _choice, "flag": _flag, "clock": _clock,
    "file": _file, "files": _files, "text": _text, "list": _list, "terminal": _terminal,
    "drive": _drive, "medium": _file,
}


def settle(card: Card, given: Mapping[str, Any], place: str) -> dict[str, Any]:
    """Check the given settings and fill in the defaults; InputError on the first mistake."""
    known = {jumper.name: jumper for jumper in card.jumpers}
    for key in given:
        if key not in known:
            raise InputError(f"{place}: the card {card.name} has no jumper {key!r}; "
                             f"{nearest(key, known)}")
    return {name: CHECKS[jumper.kind](jumper, given.get(name, jumper.default), place)
            for name, jumper in known.items()}

