"""Words for going back: to a step, a stop, a time; who wrote, when it changed; the verdict."""
from __future__ import annotations

from emu.bus.state import STOP_IN, STOP_OUT
from emu.bus.stops import Row
from emu.errors import InputError
from emu.run.history import Spot
from emu.stepper import show
from emu.stepper.desk import Desk, word
from emu.stepper.frames import back_out, back_over
from emu.stepper.search import Access
from emu.stepper.seat import verdict
from emu.stepper.sitting import Event
from emu.stepper.watch import port_number

BACK = {"over": back_over, "out": back_out}
MOST_BYTES = 16  # that one who or when looks for


def _back_to(desk: Desk, text: str) -> Event:
    """Go back to "stop", "start", or so much time."""
    if text == "stop":
        return desk.sitting.back_to_stop()
    if text == "found" and desk.found is not None:
        desk.sitting.jump(desk.found.spot)
        return Event("step")
    if text == "start":
        desk.sitting.jump(Spot(0, 0))
        return Event("step")
    t = desk.t_of(text)
    if t is None:
        raise InputError(f"back to takes stop, start, found or a time since power-on such as "
                         f"1.5 s or 1200 t, not {text!r}.")
    return desk.sitting.back_to(t)


def _back_by(desk: Desk, text: str) -> list[str]:
    """Go back by one bus cycle or T-state."""
    moved = desk.cursor.back_cycle() if text == "cycle" else desk.cursor.back_tick()
    return [show.moment(desk.cursor.moment()) if moved else "this is power-on"]


@word("back [N]", "one instruction back, or N; back over (a call), back out (to the call of this "
                  "routine), back to stop, start, found, 1.5 s; back 2 ms, cycle, tick")
def back(desk: Desk, text: str) -> list[str]:
    """Go back."""
    if text in ("cycle", "tick"):
        return _back_by(desk, text)
    desk.cursor.forget()
    if text in BACK:
        return desk.here(BACK[text](desk.sitting))
    if text == "stop" or text.startswith("to "):
        return desk.here(_back_to(desk, text.removeprefix("to ").strip()))
    length = desk.t_of(text)
    if length is not None:
        return desk.here(desk.sitting.back_to(max(desk.sitting.t - length, 0)))
    return desk.here(desk.sitting.back(desk.count(text, "back")))


def _told(desk: Desk, found: Access | None, what: str, never: str) -> list[str]:
    if found is None:
        return [f"{what}: {'interrupted' if desk.sitting.interrupted else never}"]
    if found.by_hand:
        return [f"{what}: {found.data:02X}h by hand at "
                f"{show.time_words(desk.sitting, found.spot.t)}"]
    return [f"{what}: {found.data:02X}h at {desk.spot_words(found.spot)}"]


def _search(desk: Desk, text: str, verb: str, changing: bool) -> list[str]:
    """Look for each byte of a place; go to none of them."""
    name, counted, more = text.partition(" for ")
    low = desk.address(name, verb)
    count = desk.count(more, "for") if counted else desk.sitting.book.length(name)
    out = []
    for k in range(min(count, MOST_BYTES)):
        address = low + k & 0xFFFF
        place = desk.sitting.book.place(address)
        if place is None:
            raise InputError(f"{address:04X}h: no plain memory is mapped there now.")
        found = desk.sitting.last_write(place, changing)
        never = "never changed since power-on" if changing else "never written since power-on"
        out += _told(desk, found, desk.sitting.book.data(address), never)
        desk.found = found or desk.found
    return out + (["back there: back to found"] if desk.found else [])


@word("who PLACE", "which instruction wrote this byte last; who ticks for 4; for a port: who in "
                   "20h, who out 20h")
def who(desk: Desk, text: str) -> list[str]:
    """Find the last write of a byte, or the last access of a port."""
    desk.found = None
    way, _, name = text.partition(" ")
    if way in ("in", "out") and name:
        port = port_number(name.strip(), desk.sitting.book) & 0xFF
        desk.found = desk.sitting.last_cycle(
            [Row(STOP_IN if way == "in" else STOP_OUT, port, port)])
        out = _told(desk, desk.found, f"{way} port {port:02X}h", "never since power-on")
        return out + (["back there: back to found"] if desk.found else [])
    return _search(desk, text, "who", False)


@word("when PLACE", "which instruction changed this byte last")
def when(desk: Desk, text: str) -> list[str]:
    """Find the last change of a byte."""
    desk.found = None
    return _search(desk, text, "when", True)


@word("undo", "take the last change back; the run is as it was just before it")
def undo(desk: Desk, text: str) -> list[str]:
    """Take a change back."""
    desk.cursor.forget()
    last = desk.sitting.undo()
    if last is None:
        return ["nothing was changed or typed yet"]
    return [f"taken back: {last.kind} {last.where} {last.value!r}", *desk.here()]


@word("explain", "the verdict: how this run stands, and why it hangs if it does")
def explain(desk: Desk, text: str) -> list[str]:
    """Give the verdict of the run so far."""
    return verdict(desk.sitting).lines()
