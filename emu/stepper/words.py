"""Words for looking, running and stopping."""
from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from emu.errors import InputError, nearest
from emu.stepper import frames, show, views
from emu.stepper.desk import Desk, Leave, word
from emu.stepper.sitting import Event
from emu.stepper.watch import parse


# --- looking --------------------------------------------------------------------------
def _look_memory(desk: Desk, text: str) -> list[str]:
    match = re.fullmatch(r"(.+?)(?:\s+for\s+(\S+))?", text)
    if match is None:
        raise InputError("look memory needs a place: look memory 8000h for 64")
    count = desk.count(match[2] or "64", "for")
    return show.memory(desk.sitting, desk.address(match[1], "look memory"), min(count, 0x10000))


def _look_code(desk: Desk, text: str) -> list[str]:
    place, _, count = text.partition(" for ")
    at = desk.address(place, "look code") if place else int(desk.sitting.m.pc)
    return show.code(desk.sitting, desk.sources, at, desk.count(count or "16", "for"))


def _look_cards(desk: Desk, text: str) -> list[str]:
    names = [slot.name for slot in desk.sitting.machine.slots]
    if text and text not in names:
        raise InputError(f"there is no slot {text!r}; fitted: {', '.join(names)}.")
    return show.cards(desk.sitting, text)


def _look_inputs(desk: Desk, _: str) -> list[str]:
    made = desk.sitting.main.made
    out = []
    for k, change in enumerate(desk.sitting.history.inputs):
        where = f"{int(change.where):05X}h" if change.kind == "memory" else change.where
        later = "" if k < made else "  (to come)"
        out.append(f"  T {change.t:>12}  {change.kind} {where} {change.value!r}{later}")
    return out or ["  nothing was typed or changed so far"]


LOOKS: dict[str, Callable[[Desk, str], list[str]]] = {
    "registers": lambda desk, _: show.registers(desk.sitting, desk.shown),
    "code": _look_code,
    "stack": lambda desk, text: show.stack(desk.sitting, desk.count(text or "8", "stack")),
    "memory": _look_memory,
    "pages": lambda desk, _: show.pages(desk.sitting),
    "chain": lambda desk, _: show.chain(desk.sitting),
    "cards": _look_cards,
    "cycles": lambda desk, text: show.cycles(
        desk.sitting, views.cycles(desk.sitting, desk.count(text or "12", "cycles"))),
    "stops": lambda desk, _: [f"  {stop.words}" for stop in desk.sitting.stops] or ["  no stops"],
    "inputs": _look_inputs,
}


@word("look [WHAT]", "where it stands; or registers, code, stack, memory PLACE for N, pages, "
                     "chain, cards [SLOT], cycles [N], stops, inputs")
def look(desk: Desk, text: str) -> list[str]:
    """Show one thing, or where it stands."""
    if not text:
        return desk.here(Event("look"))
    what, _, rest = text.partition(" ")
    if what not in LOOKS:
        raise InputError(f"look {what}: not known; {nearest(what, LOOKS)}")
    return LOOKS[what](desk, rest.strip())


@word("tell EXPRESSION", "work an expression out: tell word[sp] + 1")
def tell(desk: Desk, text: str) -> list[str]:
    """Work an expression out."""
    value = desk.sitting.book.work_out(text)
    name = desk.sitting.book.symbol(value) if 0xFF < value <= 0xFFFF else None
    shown = f"{value:X}h" if value >= 0 else f"-{-value:X}h"
    return [f"{shown} = {value}" + (f", {name}" if name else "")]


# --- running --------------------------------------------------------------------------
@word("go [TIME]", "run until a stop, Ctrl-C, or for a time: go 5 ms, go 100 t")
def go(desk: Desk, text: str) -> list[str]:
    """Run."""
    length = desk.t_of(text) if text else None
    if text and length is None:
        raise InputError(f"go takes a time such as 5 ms or 100 t, not {text!r}; for a place there "
                         f"is until.")
    if length is None:
        return desk.here(desk.sitting.go())
    return desk.here(desk.sitting.go(desk.sitting.t + length))


@word("into [N]", "run one instruction, or N")
def into(desk: Desk, text: str) -> list[str]:
    """Run instructions."""
    return desk.here(desk.sitting.into(desk.count(text, "into")))


@word("over [N]", "the same, but a call or block instruction to its end")
def over(desk: Desk, text: str) -> list[str]:
    """Run instructions, calls to their end."""
    event = Event("step")
    for _ in range(desk.count(text, "over")):
        event = desk.sitting.over()
        if event.reason != "step" and event.reason != "time":
            break
    return desk.here(event)


@word("out", "run until this routine returns")
def out(desk: Desk, text: str) -> list[str]:
    """Run to the return."""
    if text:
        raise InputError("out takes nothing behind it.")
    return desk.here(desk.sitting.out())


@word("line [N]", "run to the next source line, or N of them, calls to their end")
def line(desk: Desk, text: str) -> list[str]:
    """Run source lines."""
    event = Event("step")
    for _ in range(desk.count(text, "line")):
        event = frames.line(desk.sitting)
        if event.reason != "step":
            break
    return desk.here(event)


@word("until STOP", "run until something happens once: until shell, until write ticks, until "
                    "text \"tw> \", until 5 ms; see help stops")
def until(desk: Desk, text: str) -> list[str]:
    """Run until a stop that is not kept."""
    length = desk.t_of(text)
    if length is not None:
        return desk.here(desk.sitting.go(desk.sitting.t + length))
    return desk.here(desk.sitting.until(parse(text, desk.sitting.book)))


@word("cycle", "go on by one bus cycle of the instruction")
def cycle(desk: Desk, text: str) -> list[str]:
    """Go one bus cycle on."""
    desk.cursor.cycle()
    return [show.moment(desk.cursor.moment())]


@word("tick", "go on by one T-state: the buses and which pins are low")
def tick(desk: Desk, text: str) -> list[str]:
    """Go one T-state on."""
    desk.cursor.tick()
    return [show.moment(desk.cursor.moment())]


# --- stops ----------------------------------------------------------------------------
def _added(desk: Desk, text: str) -> list[str]:
    return [f"stop {desk.sitting.add(parse(text, desk.sitting.book)).words}"]


@word("stop-at PLACE", "stop before the instruction there: stop-at shell if a = 5 after 3 once")
def stop_at(desk: Desk, text: str) -> list[str]:
    """Stop at a place in the program."""
    return _added(desk, text)


@word("watch STOP", "stop when something happens: watch write ticks, watch out 20h; see help stops")
def watch(desk: Desk, text: str) -> list[str]:
    """Stop when something happens."""
    return _added(desk, text)


@word("forget N", "take a stop out; forget all")
def forget(desk: Desk, text: str) -> list[str]:
    """Take stops out."""
    if text == "all":
        count = len(desk.sitting.stops)
        desk.sitting.stops.clear()
        return [f"{count} stops taken out"]
    desk.sitting.remove(desk.stop_of(text))
    return [f"stop {text} taken out"]


@word("sleep N", "leave a stop unheeded until wake N")
def sleep(desk: Desk, text: str) -> list[str]:
    """Let a stop sleep."""
    desk.stop_of(text).asleep = True
    return [f"stop {text} sleeps"]


@word("wake N", "heed a stop again")
def wake(desk: Desk, text: str) -> list[str]:
    """Wake a stop."""
    desk.stop_of(text).asleep = False
    return [f"stop {text} is awake"]


# --- leaving --------------------------------------------------------------------------
@word("leave", "end the session")
def leave(desk: Desk, text: str) -> list[str]:
    """Leave."""
    raise Leave


@word("symbols FILE [in SLOT]", "read more names: .map .noi .cdb, nm, or \"name = 0x1234\" lines")
def symbols(desk: Desk, text: str) -> list[str]:
    """Read a symbol list for the memory of a slot, the first one that has memory."""
    name, _, slot = text.partition(" in ")
    if not name:
        raise InputError("symbols needs a file.")
    added = desk.sitting.read_symbols(Path(name.strip()), slot.strip())
    return [f"{added} names read from {name.strip()}"]

