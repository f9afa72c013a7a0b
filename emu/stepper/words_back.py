"""Words for going back: to a step, a stop, a time; who wrote, when it changed; the verdict."""
from __future__ import annotations

from emu.bus.state import STOP_IN, STOP_OUT
from emu.bus.stops import Row
from emu.errors import InputError
from emu.run.player import Spot
from emu.stepper import show
from emu.stepper.as_session import verdict
from emu.stepper.frames import back_out, back_over
from emu.stepper.search import Access
from emu.stepper.stepper import Event
from emu.stepper.watch import port_number
from emu.stepper.word_reader import WordReader, word
from emu.stepper.words import done

BACK = {"over": back_over, "out": back_out}
MOST_BYTES = 16  # that one who or when looks for


def _back_to(reader: WordReader, text: str) -> Event:
    """Go back to "stop", "start", or so much time."""
    if text == "stop":
        return reader.stepper.back_to_stop()
    if text == "found" and reader.found is not None:
        reader.stepper.jump(reader.found.spot)
        return Event("step")
    if text == "start":
        reader.stepper.jump(Spot(0, 0))
        return Event("step")
    t = reader.t_of(text)
    if t is None:
        raise InputError(f"back to takes stop, start, found or a time since power-on such as "
                         f"1.5 s or 1200 t, not {text!r}.")
    return reader.stepper.back_to(t)


def _back_by(reader: WordReader, text: str) -> list[str]:
    """Go back by one bus cycle or T-state."""
    moved = reader.cursor.back_cycle() if text == "cycle" else reader.cursor.back_tick()
    return [show.moment(reader.cursor.moment()) if moved else "this is power-on"]


@word("back [N]", "one instruction back, or N; back over (a call), back out (to the call of this "
                  "routine), back to stop, start, found, 1.5 s; back 2 ms, cycle, tick")
def back(reader: WordReader, text: str) -> list[str]:
    """Go back."""
    if text in ("cycle", "tick"):
        return _back_by(reader, text)
    reader.cursor.forget()
    if text in BACK:
        return reader.here(BACK[text](reader.stepper))
    if text == "stop" or text.startswith("to "):
        return reader.here(_back_to(reader, text.removeprefix("to ").strip()))
    length = reader.t_of(text)
    if length is not None:
        return reader.here(reader.stepper.back_to(max(reader.stepper.t - length, 0)))
    return reader.here(reader.stepper.back(reader.count(text, "back")))


def _told(reader: WordReader, found: Access | None, what: str, never: str) -> list[str]:
    if found is None:
        return [f"{what}: {'interrupted' if reader.stepper.interrupted else never}"]
    if found.by_hand:
        return [f"{what}: {found.data:02X}h by hand at "
                f"{show.time_words(reader.stepper, found.spot.t)}"]
    return [f"{what}: {found.data:02X}h at {reader.spot_words(found.spot)}"]


def _search(reader: WordReader, text: str, verb: str, changing: bool) -> list[str]:
    """Look for each byte of a place; go to none of them."""
    name, counted, more = text.partition(" for ")
    low = reader.address(name, verb)
    count = reader.count(more, "for") if counted else reader.stepper.book.length(name)
    out = []
    for k in range(min(count, MOST_BYTES)):
        address = low + k & 0xFFFF
        place = reader.stepper.book.place(address)
        if place is None:
            raise InputError(f"{address:04X}h: no plain memory is mapped there now.")
        found = reader.stepper.last_write(place, changing)
        never = "never changed since power-on" if changing else "never written since power-on"
        out += _told(reader, found, reader.stepper.book.data(address), never)
        reader.found = found or reader.found
    return out + (["back there: back to found"] if reader.found else [])


@word("who PLACE", "which instruction wrote this byte last; who ticks for 4; for a port: who in "
                   "20h, who out 20h")
def who(reader: WordReader, text: str) -> list[str]:
    """Find the last write of a byte, or the last access of a port."""
    reader.found = None
    way, _, name = text.partition(" ")
    if way in ("in", "out") and name:
        port = port_number(name.strip(), reader.stepper.book) & 0xFF
        reader.found = reader.stepper.last_cycle(
            [Row(STOP_IN if way == "in" else STOP_OUT, port, port)])
        out = _told(reader, reader.found, f"{way} port {port:02X}h", "never since power-on")
        return out + (["back there: back to found"] if reader.found else [])
    return _search(reader, text, "who", False)


@word("when PLACE", "which instruction changed this byte last")
def when(reader: WordReader, text: str) -> list[str]:
    """Find the last change of a byte."""
    reader.found = None
    return _search(reader, text, "when", True)


@word("undo", "take the last change back; the run is as it was just before it")
def undo(reader: WordReader, text: str) -> list[str]:
    """Take a change back."""
    reader.cursor.forget()
    last = reader.stepper.undo()
    if last is None:
        return ["nothing was changed or typed yet"]
    return [f"taken back: {done(reader, last)}", *reader.here()]


@word("explain", "the verdict: how this run stands, and why it hangs if it does")
def explain(reader: WordReader, text: str) -> list[str]:
    """Give the verdict of the run so far."""
    return verdict(reader.stepper).lines()
