"""Cards that do not come with us: a Python file that a backplane file names, or an
installed package's entry point in the group ``preburn.cards``.

Such code runs only when the user names the card.  A card file is read anew for every
description, so a change in it counts at the next load.
"""
from __future__ import annotations

import inspect
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np

from emu.backplane.jumpers import CHECKS
from emu.bus.state import CHAINED_INTERRUPT, NO_INTERRUPT, PLAIN_INTERRUPT
from emu.card import starters
from emu.card.cause import CONDITIONS, Cause
from emu.card.contract import ENTRIES, Card, Jumper
from emu.card.plaincards import FILE_MODULE, WrongAnswer, place_of, words_of
from emu.card.roles import KINDS, Hand
from emu.card.views import is_plain
from emu.errors import InputError, nearest
from emu.files.inputfile import read_limited

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint  # 10 ms of a start

SIZE_LIMIT = 1 << 20
WORDS = ("describe", "glass", "risks")
HOOKS = ("order", "memory_size", "image_size", "ram_window", "margins", "troubles", "rates",
         "ticks", "requests", "drives_nmi", "windows", "flash", "complaints", "areas", "pages",
         "hands", "byte_place")
SIZES = ("memory_size", "image_size")  # hooks that give numbers of bytes
LINE = ("shown", "shown_t", "shown_in", "shown_limit", "typed", "typed_t", "typed_how", "typed_in",
        "typed_out")  # what a terminal's record has, besides what its card needs
DEFAULTS = {each.name: each.default for each in fields(Card)}


def load_card_file(path: Path) -> Card:
    """Run a card file, once as it stands, and give its card; InputError names the file and line
    of a mistake."""
    return _card_of(path, read_limited(path, "card file", SIZE_LIMIT))


@cache
def _card_of(path: Path, source: bytes) -> Card:
    module = ModuleType(f"{FILE_MODULE}{path.resolve()}")
    module.__file__ = str(path)
    starters.watch(str(path))
    sys.modules[module.__name__] = module  # where dataclasses and pickling look
    try:
        exec(compile(source, str(path), "exec"), module.__dict__)
    except SyntaxError as error:
        raise InputError(f"{path}:{error.lineno}: {error.msg}.") from None
    except ValueError as error:
        raise InputError(f"{path}: no Python text: {words_of(error)}.") from None
    except (Exception, SystemExit) as error:
        raise InputError(f"{place_of(error)}: {words_of(error)}.") from None
    return checked(getattr(module, "CARD", None), str(path))


def load_installed(point: EntryPoint) -> Card:
    """Import an installed card; InputError names the package and the mistake."""
    place = f"installed card {point.name} ({point.value})"
    try:
        card = point.load()
    except (Exception, SystemExit) as error:
        raise InputError(f"{place}: {words_of(error)}.") from None
    return checked(card, place)


def checked(card: Any, place: str) -> Card:
    """Hold a card's declaration against the contract; InputError on the first mistake."""
    if not isinstance(card, Card):
        raise InputError(f"{place}: there is no CARD = Card(...) at its end; see the top of "
                         f"peripherals/card.py for what a card is.")
    for text in ("name", "summary", "source"):
        if not isinstance(getattr(card, text), str) or not getattr(card, text):
            raise InputError(f"{place}: CARD: {text} takes a text that is not empty.")
    _check_state(card, place)
    _check_forms(card, place)
    _check_functions(card, place)
    _check_jumpers(card, place)
    _check_names(card, place)
    _check_channels(card, place)
    _check_kinds(card, place)
    _check_causes(card, place)
    words: dict[str, Any] = {name: _kept_words(getattr(card, name)) for name in WORDS}
    hooks: dict[str, Any] = {
        name: _kept(getattr(card, name), name) for name in HOOKS
        if getattr(card, name) is not DEFAULTS[name]}
    tables: dict[str, Any] = {
        name: {key: _kept(act, f"{word} {key}") for key, act in getattr(card, name).items()}
        for name, word in (("live", "jumper"), ("actions", "action"))}
    return replace(card, **words, **hooks, **tables)


def _check_forms(card: Card, place: str) -> None:
    """What is called can be called; tables are tables with texts as keys."""
    for name in (*WORDS, *HOOKS, "power_on", "serve", "place"):
        value = getattr(card, name)
        if not callable(value) and (value is not None or DEFAULTS[name] is not None):
            raise InputError(f"{place}: CARD: {name} takes a function, not {value!r}.")
    for name in ("kinds", "live", "actions"):
        table = getattr(card, name)
        if not isinstance(table, Mapping) or not all(isinstance(key, str) for key in table):
            raise InputError(f'{place}: CARD: {name} takes a table such as {{"data": ...}}, not '
                             f"{table!r}.")
    for name in ("live", "actions"):
        for key, function in getattr(card, name).items():
            if not callable(function):
                raise InputError(f"{place}: CARD: {name}: {key} is no function.")


def _check_functions(card: Card, place: str) -> None:
    if not isinstance(card.functions, Mapping):
        raise InputError(f'{place}: CARD: functions takes a table such as {{"read": read}}, not '
                         f"{card.functions!r}.")
    for entry, function in card.functions.items():
        if entry not in ENTRIES:
            raise InputError(f"{place}: CARD: functions has no entry {entry!r}; there are "
                             f"{', '.join(ENTRIES)}.")
        if not callable(function):
            raise InputError(f"{place}: CARD: functions: {entry} is no function.")
        try:
            inspect.signature(function).bind(0, 0, 0, 0)
        except TypeError:
            code = getattr(function, "__code__", None)
            at = f"{code.co_filename}:{code.co_firstlineno}" if code else place
            raise InputError(f"{at}: {entry} takes four arguments: m, s, and two numbers, see the "
                             f"top of peripherals/card.py.") from None


def _check_jumpers(card: Card, place: str) -> None:
    if not isinstance(card.jumpers, Sequence) or not all(
            isinstance(jumper, Jumper) for jumper in card.jumpers):
        raise InputError(f"{place}: CARD: jumpers takes Jumper(...) entries only.")
    for jumper in card.jumpers:
        if jumper.kind not in CHECKS:
            raise InputError(f"{place}: CARD: jumper {jumper.name!r}: there is no kind "
                             f"{jumper.kind!r}; there are {', '.join(CHECKS)}.")
        if jumper.kind in ("int", "choice", "reading", "flag", "text"):
            CHECKS[jumper.kind](jumper, jumper.default, f"{place}: CARD: default of jumper")


def _check_channels(card: Card, place: str) -> None:
    """A serial channel has its terminal's record in the state."""
    for name in card.channels:
        field = f"line_{name}" if name else "line"
        found = card.state[field].names if field in (card.state.names or ()) else None
        if not set(LINE) <= set(found or ()):
            raise InputError(f"{place}: CARD: channels names {name!r}, and state has no field "
                             f"({field!r}, LINE) of peripherals.serial_line for it.")


def _check_names(card: Card, place: str) -> None:
    """Registers and lines are told apart by their names."""
    for kind in ("registers", "inputs", "outputs", "channels"):
        names = getattr(card, kind)
        if not isinstance(names, tuple | list) or not all(isinstance(n, str) for n in names) or \
                len(set(names)) < len(names):
            raise InputError(f'{place}: CARD: {kind} takes different names such as ("level", '
                             f'"vector"), not {names!r}.')
    if card.interrupt not in (NO_INTERRUPT, PLAIN_INTERRUPT, CHAINED_INTERRUPT):
        raise InputError(f"{place}: CARD: interrupt takes NO_INTERRUPT, PLAIN_INTERRUPT or "
                         f"CHAINED_INTERRUPT of emu.bus.state, not {card.interrupt!r}.")


def _check_kinds(card: Card, place: str) -> None:
    for register, kinds in card.kinds.items():
        if register not in card.registers:
            raise InputError(f"{place}: CARD: kinds names the register {register!r}; "
                             f"{nearest(register, card.registers)}")
        for kind in kinds if isinstance(kinds, tuple | list) else (None,):
            if kind not in KINDS:
                raise InputError(f'{place}: CARD: kinds: {register} takes one or several of '
                                 f'{", ".join(KINDS)}, such as ("data",), not {kinds!r}.')


def _check_causes(card: Card, place: str) -> None:
    """Causes are told apart by their codes; what they name exists."""
    if not isinstance(card.causes, tuple | list) or not all(
            isinstance(cause, Cause) for cause in card.causes):
        raise InputError(f"{place}: CARD: causes takes Cause(...) entries only.")
    codes = [cause.code for cause in card.causes]
    for cause in card.causes:
        where = f"{place}: CARD: cause {cause.code!r}"
        if codes.count(cause.code) > 1:
            raise InputError(f"{where} stands there twice; each takes a code of its own.")
        for name in cause.decides:
            if name not in card.registers:
                raise InputError(f"{where}: decides names the register {name!r}; "
                                 f"{nearest(name, card.registers)}")
        for condition in cause.when:
            if condition not in CONDITIONS:
                raise InputError(f"{where}: when has {condition!r}; "
                                 f"{nearest(condition, CONDITIONS)}")


def _check_state(card: Card, place: str) -> None:
    dtype = card.state
    if not isinstance(dtype, np.dtype) or dtype.names is None or dtype.names[0] != "slot" or \
            dtype["slot"] != np.dtype(np.int64):
        raise InputError(f'{place}: CARD: state takes a structured dtype whose first field is '
                         f'("slot", np.int64).')
    if not is_plain(dtype):
        raise InputError(f"{place}: CARD: state may hold numbers, arrays of numbers and records "
                         f"of these, no texts or objects.")


def _kept_words(describe: Callable[[Any, Any], list[str]]) -> Callable[[Any, Any], list[str]]:
    """Let a mistake in `describe` be one of the card's words, not the end of the report."""

    def words(m: Any, s: Any) -> list[str]:
        try:
            return [str(word) for word in describe(m, s)]
        except Exception as error:
            return [f"{place_of(error)}: {words_of(error)}"]

    return words


def _kept(hook: Callable[..., Any], name: str) -> Callable[..., Any]:
    """Let a mistake in a plain function of the declaration end in one clear line."""

    def call(*arguments: Any) -> Any:
        try:
            answer = hook(*arguments)
        except InputError:
            raise
        except Exception as error:
            raise InputError(f"{place_of(error)}: {name}: {words_of(error)}.") from None
        if name in SIZES and (type(answer) is not int or answer < 0):
            raise InputError(f"{place_of(WrongAnswer(hook, ''))}: {name} gave {answer!r}: give a "
                             f"number of bytes from 0.")
        if name == "hands" and not (isinstance(answer, list)
                                    and all(isinstance(one, Hand) for one in answer)):
            raise InputError(f"{place_of(WrongAnswer(hook, ''))}: hands gave {answer!r}: give a "
                             f"list of Hand(...) of emu.card.roles.")
        return answer

    return call
