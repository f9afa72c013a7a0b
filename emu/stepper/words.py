"""Words for looking, running and stopping."""
from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from emu.card.number_words import counted
from emu.errors import InputError, nearest
from emu.run.inputs import Input
from emu.stepper import frames, show, views
from emu.stepper.stepper import Event
from emu.stepper.watch import parse
from emu.stepper.word_reader import Leave, WordReader, word

WHOLE = 0x10000  # bytes of memory; more of anything is not looked at


# --- looking --------------------------------------------------------------------------
def _look_memory(reader: WordReader, text: str) -> list[str]:
    match = re.fullmatch(r"(.+?)(?:\s+for\s+(\S+))?", text)
    if match is None:
        raise InputError("look memory needs a place: look memory 8000h for 64")
    count = reader.count(match[2] or "64", "for")
    return show.memory(reader.stepper, reader.address(match[1], "look memory"),
                       min(count, WHOLE))


def _look_code(reader: WordReader, text: str) -> list[str]:
    place, _, count = text.partition(" for ")
    at = reader.address(place, "look code") if place else int(reader.stepper.m.pc)
    return show.code(reader.stepper, reader.sources, at, reader.count(count or "16", "for", WHOLE))


def _look_cards(reader: WordReader, text: str) -> list[str]:
    names = [slot.name for slot in reader.stepper.machine.slots]
    if text and text not in names:
        raise InputError(f"there is no slot {text!r}; fitted: {', '.join(names)}.")
    return show.cards(reader.stepper, text)


def done(reader: WordReader, change: Input) -> str:
    """Say in words what was done to the machine."""
    what, value = change.where, change.value
    if change.kind == "typed":
        return f"press {show.quoted(value)} on {what}"
    if change.kind == "memory":
        octets = " ".join(f"{byte:02X}" for byte in value)
        return f"set memory {reader.stepper.book.name_of_place(int(what))} = {octets}"
    if change.kind == "register":
        return f"set {what} = {value:X}h"
    if change.kind == "jumper":
        return f"set jumper {what} = {value}"
    if change.kind in ("in", "out"):
        return f"input {int(what):02X}h" if change.kind == "in" else \
            f"set port {int(what):02X}h = {value:02X}h"
    if change.kind == "medium":
        return f"insert {what} {value}" if value else f"eject {what}"
    if change.kind == "line":
        return f"press {what}" if value else f"let go of {what}"
    return f"do {what} {value}".rstrip()


def _look_inputs(reader: WordReader, _: str) -> list[str]:
    made = reader.stepper.main.made
    out = [f"  T {change.t:>12}  {done(reader, change)}{'' if k < made else '  (to come)'}"
           for k, change in enumerate(reader.stepper.history.inputs)]
    return out or ["  nothing was typed or changed so far"]


LOOKS: dict[str, Callable[[WordReader, str], list[str]]] = {
    "registers": lambda reader, _: show.registers(reader.stepper, reader.shown),
    "code": _look_code,
    "stack": lambda reader, text: show.stack(
        reader.stepper, reader.count(text or "8", "stack", WHOLE)),
    "memory": _look_memory,
    "pages": lambda reader, _: show.pages(reader.stepper),
    "chain": lambda reader, _: show.chain(reader.stepper),
    "cards": _look_cards,
    "cycles": lambda reader, text: show.cycles(
        reader.stepper, views.cycles(reader.stepper, reader.count(text or "12", "cycles", WHOLE))),
    "stops": lambda reader, _: [f"  {stop.words}" for stop in reader.stepper.stops]
             or ["  no stops"],
    "inputs": _look_inputs,
}


@word("look [WHAT]", "where it stands; or registers, code, stack, memory PLACE for N, pages, "
                     "chain, cards [SLOT], cycles [N], stops, inputs")
def look(reader: WordReader, text: str) -> list[str]:
    """Show one thing, or where it stands."""
    if not text:
        return reader.here(Event("look"))
    what, _, rest = text.partition(" ")
    found = [name for name in LOOKS if name.startswith(what)]
    if what not in LOOKS and len(found) != 1:
        raise InputError(f"look {what}: may be {' or '.join(found)}; write more of it." if found
                         else f"look {what}: not known; {nearest(what, LOOKS)}")
    return LOOKS[what if what in LOOKS else found[0]](reader, rest.strip())


@word("tell EXPRESSION", "work an expression out: tell word[sp] + 1")
def tell(reader: WordReader, text: str) -> list[str]:
    """Work an expression out."""
    value = reader.stepper.book.work_out(text)
    name = reader.stepper.book.symbol(value) if 0xFF < value <= 0xFFFF else None
    shown = f"{value:X}h" if value >= 0 else f"-{-value:X}h"
    return [f"{shown} = {value}" + (f", {name}" if name else "")]


# --- running --------------------------------------------------------------------------
@word("go [TIME]", "run until a stop, Ctrl-C, or for a time: go 5 ms, go 100 t")
def go(reader: WordReader, text: str) -> list[str]:
    """Run."""
    length = reader.t_of(text) if text else None
    if text and length is None:
        raise InputError(f"go takes a time such as 5 ms or 100 t, not {text!r}; for a place there "
                         f"is until.")
    if length is None:
        return reader.here(reader.stepper.go())
    return reader.here(reader.stepper.go(reader.stepper.t + length))


@word("into [N]", "run one instruction, or N")
def into(reader: WordReader, text: str) -> list[str]:
    """Run instructions."""
    return reader.here(reader.stepper.into(reader.count(text, "into")))


@word("over [N]", "the same, but a call or block instruction to its end")
def over(reader: WordReader, text: str) -> list[str]:
    """Run instructions, calls to their end."""
    event = Event("step")
    for _ in range(reader.count(text, "over")):
        event = reader.stepper.over()
        if event.reason != "step" and event.reason != "time":
            break
    return reader.here(event)


@word("out", "run until this routine returns")
def out(reader: WordReader, text: str) -> list[str]:
    """Run to the return."""
    if text:
        raise InputError("out takes nothing behind it.")
    return reader.here(reader.stepper.out())


@word("line [N]", "run to the next source line, or N of them, calls to their end")
def line(reader: WordReader, text: str) -> list[str]:
    """Run source lines."""
    event = Event("step")
    for _ in range(reader.count(text, "line")):
        event = frames.line(reader.stepper)
        if event.reason != "step":
            break
    return reader.here(event)


@word("until STOP", "run until something happens once: until shell, until write ticks, until "
                    "text \"tw> \", until 5 ms; see help stops")
def until(reader: WordReader, text: str) -> list[str]:
    """Run until a stop that is not kept."""
    length = reader.t_of(text)
    if length is not None:
        return reader.here(reader.stepper.go(reader.stepper.t + length))
    return reader.here(reader.stepper.until(parse(text, reader.stepper.book)))


@word("cycle", "go on by one bus cycle of the instruction")
def cycle(reader: WordReader, text: str) -> list[str]:
    """Go one bus cycle on."""
    reader.cursor.cycle()
    return [show.moment(reader.cursor.moment())]


@word("tick", "go on by one T-state: the buses and which pins are low")
def tick(reader: WordReader, text: str) -> list[str]:
    """Go one T-state on."""
    reader.cursor.tick()
    return [show.moment(reader.cursor.moment())]


# --- stops ----------------------------------------------------------------------------
def _added(reader: WordReader, text: str) -> list[str]:
    stop = reader.stepper.add(parse(text, reader.stepper.book))
    return [f"stop {stop.words}", *([f"  at {where}"] if (where := stop.where(reader.stepper.book))
                                   else [])]


@word("stop-at PLACE", "stop before the instruction there: stop-at shell if a = 5 after 3 once")
def stop_at(reader: WordReader, text: str) -> list[str]:
    """Stop at a place in the program."""
    return _added(reader, text)


@word("watch STOP", "stop when something happens: watch write ticks, watch out 20h; see help stops")
def watch(reader: WordReader, text: str) -> list[str]:
    """Stop when something happens."""
    return _added(reader, text)


@word("forget N", "take a stop out; forget all")
def forget(reader: WordReader, text: str) -> list[str]:
    """Take stops out."""
    if text == "all":
        count = len(reader.stepper.stops)
        reader.stepper.stops.clear()
        return [f"{counted(count, 'stop')} taken out"]
    reader.stepper.remove(reader.stop_of(text))
    return [f"stop {text} taken out"]


@word("sleep N", "leave a stop unheeded until wake N")
def sleep(reader: WordReader, text: str) -> list[str]:
    """Let a stop sleep."""
    reader.stop_of(text).asleep = True
    return [f"stop {text} sleeps"]


@word("wake N", "heed a stop again")
def wake(reader: WordReader, text: str) -> list[str]:
    """Wake a stop."""
    reader.stop_of(text).asleep = False
    return [f"stop {text} is awake"]


# --- leaving --------------------------------------------------------------------------
@word("leave", "end the session")
def leave(reader: WordReader, text: str) -> list[str]:
    """Leave."""
    raise Leave


@word("symbols FILE [in SLOT]", "read more names: .map .noi .cdb, nm, or \"name = 0x1234\" lines")
def symbols(reader: WordReader, text: str) -> list[str]:
    """Read a symbol list for the memory of a slot, the first one that has memory."""
    name, _, slot = text.partition(" in ")
    if not name:
        raise InputError("symbols needs a file.")
    added = reader.stepper.read_symbols(Path(name.strip()), slot.strip())
    return [f"{added} names read from {name.strip()}"]

