"""An editor's steps: by instruction, or by source line where there are lines."""
from __future__ import annotations

from collections.abc import Callable

from emu.errors import InputError
from emu.files.symbols import SourceLine
from emu.stepper.sitting import Event, Sitting

MOST = 2000  # instructions of one source line


def _line(sitting: Sitting) -> SourceLine | None:
    return sitting.book.line(int(sitting.m.pc))


def _by_line(sitting: Sitting, step: Callable[[Sitting], Event]) -> Event:
    """Step on until another source line, one without a line counting as none."""
    before = _line(sitting)
    event = step(sitting)
    for _ in range(MOST):
        now = _line(sitting)
        if event.reason != "step" or before is None or (now is not None and now != before):
            break
        event = step(sitting)
    return event


def _back(sitting: Sitting, granularity: str) -> Event:
    """Go back an instruction, or to the first instruction of the line before."""
    if granularity == "instruction" or _line(sitting) is None:
        return sitting.back()
    event = _by_line(sitting, Sitting.back)
    line = _line(sitting)
    for _ in range(MOST):
        if event.reason != "step":
            break
        here = sitting.spot
        event = sitting.back()
        if _line(sitting) != line:
            sitting.jump(here)
            return Event("step")
    return event


def _out(sitting: Sitting, _: str) -> Event:
    try:
        return sitting.out()
    except InputError as error:
        return Event("step", str(error))


def _stepped(step: Callable[[Sitting], Event]) -> Callable[[Sitting, str], Event]:
    def act(sitting: Sitting, granularity: str) -> Event:
        return step(sitting) if granularity == "instruction" else _by_line(sitting, step)

    return act


STEPS: dict[str, Callable[[Sitting, str], Event]] = {
    "over": _stepped(Sitting.over), "into": _stepped(Sitting.into), "out": _out, "back": _back,
}
