"""Figures of the stepper: what stops cost on hot code, and how soon going back answers."""
from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

from bench_table import Workload

from emu.backplane.description import load
from emu.machine.machine import Machine
from emu.stepper.search import Access
from emu.stepper.stepper import Event, Spot, Stepper
from emu.stepper.watch import parse

ROOT = Path(__file__).parent.parent
FULL = ROOT / "roms" / "tidewater" / "full.toml"
LONG, SHORT = 100, 2  # emulated seconds of the run that is gone back through

# A dozen, one of each kind, on code, data and ports that are used all the time; a condition
# that never holds, or a place that is never met, keeps each of them from stopping.
DOZEN = (
    "panic", "con_putc if a = 0xFF", "sio.s:100 if sp = 0", "read tx_count if value = 0xFE",
    "write tx_head if value > 0xF0", "change rst38_hook", "access panic_code",
    "out sio.a-data if value = 0xFF", "acknowledge 0xEE", "stack 0xE000..0xFFFF", "rom-write",
    "conflict")


def seated(seconds: int) -> Stepper:
    """Sit at a Tidewater that prints all the time, so many emulated seconds into the run."""
    stepper = Stepper(Machine(load(FULL)))
    stepper.until(parse('text "tw> "', stepper.book))
    for second in range(seconds + 1):
        stepper.change("typed", "sio.a", b"cat almanac\r",
                       after=stepper.machine.at(Fraction(second)))
    stepper.go(stepper.machine.at(Fraction(seconds)))
    return stepper


def speed(stepper: Stepper, start: Spot, stops: Sequence[str]) -> float:
    """Run half an emulated second with stops armed; million T-states a second."""
    stepper.jump(start)
    stepper.stops.clear()
    for text in stops:
        stepper.add(parse(text, stepper.book))
    end = stepper.t + stepper.machine.at(Fraction(1, 2))
    began = time.thread_time_ns()
    event = stepper.go(end)
    spent = time.thread_time_ns() - began
    if event.reason != "time":
        raise RuntimeError(f"a stop that should not be met was: {event.words}")
    stepper.stops.clear()
    return (stepper.t - start.t) * 1e3 / spent


def answer(stepper: Stepper, end: Spot, ask: Callable[[], Event | Access | None]) -> float:
    """Ask something at the end of the run; milliseconds until it answers."""
    if stepper.spot != end:
        stepper.jump(end)
    began = time.perf_counter_ns()
    if ask() is None:
        raise RuntimeError("nothing was found")
    return (time.perf_counter_ns() - began) / 1e6


def workloads(_: Path, short: bool) -> list[Workload]:
    """Make one long run, and ask at its end."""
    seconds = SHORT if short else LONG
    stepper = seated(seconds)
    end = stepper.spot
    middle = Spot(stepper.machine.at(Fraction(seconds, 2)), end.inputs)
    stepper.jump(middle)
    start = stepper.spot
    place = stepper.book.place(stepper.book.address("rst38_hook"))
    assert place is not None, "the hook lies in RAM"
    seldom = parse("boot", stepper.book)

    def last_stop() -> Event:
        stepper.stops.append(seldom)
        event = stepper.back_to_stop()
        stepper.stops.remove(seldom)
        return event

    name = "busy, in the stepper"
    return [
        Workload(name, "MT/s", lambda: speed(stepper, start, ())),
        Workload("  a dozen stops on hot code", "MT/s", lambda: speed(stepper, start, DOZEN),
                 against=name, goal_ratio=1 / 3),
        Workload("  an expression at every instruction", "MT/s",
                 lambda: speed(stepper, start, ("when hl = 1 and sp = 0",)), against=name),
        Workload(f"one step back, {seconds} s into it", "ms",
                 lambda: answer(stepper, end, stepper.back), better="lower", goal=1000),
        Workload("who wrote a byte last: at its start", "ms",
                 lambda: answer(stepper, end, lambda: stepper.last_write(place)), better="lower"),
        Workload("back to a stop: at its start", "ms",
                 lambda: answer(stepper, end, last_stop), better="lower"),
        Workload("memory for going back", "MiB",
                 lambda: stepper.history.shelf.bytes / (1 << 20), better="lower", goal=512),
    ]
