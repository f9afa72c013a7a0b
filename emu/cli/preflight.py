"""``preburn preflight``: one page before burning: go, or no-go with the reasons."""
from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

import click

from emu.card.number_words import read_time
from emu.cli.booting import asked, booting
from emu.cli.options import backplane_file
from emu.cli.progress import compiling
from emu.cli.running import BUILDING, Display, end_interrupted
from emu.cli.say import say, say_json
from emu.cli.typing_order import Typing
from emu.cli.wrapping import show_headed
from emu.errors import Ended, InputError, say_where
from emu.preflight.item import NO_GO, Item

STOP = "stopped before the answer was known; not to be burned yet."


@click.command(cls=Typing)
@backplane_file
@booting
@click.option("--record", type=click.Path(path_type=Path),
              help="A known-good record that the run must match.")
@click.option("--access", "grades", multiple=True, metavar="SLOT=NS",
              help="Access time of a slot's memory chips, as memory=70.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(file: Path, until: str | None, limit: str, sends: tuple[str, ...],
            afters: tuple[str, ...], script: Path | None, record: Path | None,
            grades: tuple[str, ...], as_json: bool) -> None:
    """Check the machine of a backplane FILE before its image is burned.

    Wiring, image, boot, record, vectors, stacks, times.  Exit status 0: go; 1: no-go; 2: a
    mistake in a file or an option.
    """
    from emu.backplane.description import load
    from emu.diagnosis import explain
    from emu.machine.machine import Machine
    from emu.preflight.page import after_boot, before_boot, stopped
    from emu.run.session import Session

    description = load(file)
    told = dict(_grade(text, [slot.name for slot in description.slots]) for text in grades)
    seconds, steps = asked(limit, sends, afters, script)
    display = Display()
    with display.doing(BUILDING):
        machine = Machine(description, None, compiling())
    session = Session(machine, until, seconds, steps)
    found = list(before_boot(machine))
    display.run(session)
    if session.interrupted:
        _show(file, [*found, stopped(session)], STOP, as_json)
        end_interrupted(session, "the boot and what follows it were not looked at.")
    try:
        with display.doing("it has booted; the run is measured"):
            for item in after_boot(session, explain(session), record, told, display.run):
                found.append(item)
    except Ended:
        raise
    except KeyboardInterrupt as stop:
        say_where(stop, "while the run was measured")
        _show(file, found, STOP, as_json)
        raise
    _show(file, found, "", as_json)
    sys.exit(1 if any(item.level == NO_GO for item in found) else 0)


def _show(file: Path, found: list[Item], stopped: str, as_json: bool) -> None:
    """Write the page, or what of it was known when it was ``stopped``."""
    from emu.preflight.page import verdict_line

    summary = stopped or verdict_line(found)
    no_go = stopped or any(item.level == NO_GO for item in found)
    if as_json:
        say_json({"go": not no_go, "summary": summary,
                  "items": [item.as_dict() for item in found]})
    else:
        say(f"preflight {file}: {summary}")
        for item in found:
            colour = {"no-go": "red", "note": "yellow"}.get(item.level, "green")
            show_headed(f"  {item.level:5}", f"  {item.title}: {item.text}",
                        partial(click.style, fg=colour))
        if not no_go:
            say("Before you erase and burn: read the old chip out first, mind its "
                "write-protect jumper, switch off before you pull or insert a chip or a "
                "card, and discharge yourself before you touch it.")


def _grade(text: str, slots: list[str]) -> tuple[str, float]:
    name, _, value = text.partition("=")
    seconds = read_time(value)
    try:
        ns = float(value) if seconds is None else float(seconds * 10**9)
    except ValueError:
        ns = 0
    if name not in slots or not 0 < ns < 100_000:
        raise InputError(f"--access takes a slot and nanoseconds, such as {slots[-1]}=70, not "
                         f"{text!r}; the slots are {', '.join(slots)}.")
    return name, ns
