"""An editor's steps: by instruction, or by source line where there are lines."""
from __future__ import annotations

from collections.abc import Callable

from emu.errors import InputError
from emu.files.symbols import SourceLine
from emu.stepper.stepper import Event, Stepper

MOST = 2000  # instructions of one source line


def _line(stepper: Stepper) -> SourceLine | None:
    return stepper.book.line(int(stepper.m.pc))


def _by_line(stepper: Stepper, step: Callable[[Stepper], Event]) -> Event:
    """Step on until another source line, one without a line counting as none."""
    before = _line(stepper)
    event = step(stepper)
    for _ in range(MOST):
        now = _line(stepper)
        if event.reason != "step" or before is None or (now is not None and now != before):
            break
        event = step(stepper)
    return event


def _back(stepper: Stepper, granularity: str) -> Event:
    """Go back an instruction, or to the first instruction of the line before."""
    if granularity == "instruction" or _line(stepper) is None:
        return stepper.back()
    event = _by_line(stepper, Stepper.back)
    line = _line(stepper)
    for _ in range(MOST):
        if event.reason != "step":
            break
        here = stepper.spot
        event = stepper.back()
        if _line(stepper) != line:
            stepper.jump(here)
            return Event("step")
    return event


def _out(stepper: Stepper, _: str) -> Event:
    try:
        return stepper.out()
    except InputError as error:
        return Event("step", str(error))


def _stepped(step: Callable[[Stepper], Event]) -> Callable[[Stepper, str], Event]:
    def act(stepper: Stepper, granularity: str) -> Event:
        return step(stepper) if granularity == "instruction" else _by_line(stepper, step)

    return act


STEPS: dict[str, Callable[[Stepper, str], Event]] = {
    "over": _stepped(Stepper.over), "into": _stepped(Stepper.into), "out": _out, "back": _back,
}
