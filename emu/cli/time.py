"""``preburn time``: where the time of a boot goes, by function."""
from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from emu.cli.booting import asked, booting
from emu.cli.options import backplane_file
from emu.cli.progress import compiling
from emu.cli.running import BUILDING, Display, end_interrupted
from emu.cli.say import complain, say, say_json
from emu.cli.typing_order import Typing

MARK = b'"exporter": "preburn"'
WHAT = "profile of preburn"


@click.command(cls=Typing)
@backplane_file
@booting
@click.option("--seed", type=click.IntRange(min=0),
              help="Power-on noise, instead of the file's seed.")
@click.option("--most", type=click.IntRange(min=1), default=20, show_default=True,
              help="How many functions a table lists.")
@click.option("--profile", "output", type=click.Path(path_type=Path), metavar="OUT.json",
              help="Write the tree of calls for a profile viewer (speedscope's format).")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(file: Path, until: str | None, limit: str, sends: tuple[str, ...],
            afters: tuple[str, ...], script: Path | None, seed: int | None, most: int,
            output: Path | None, as_json: bool) -> None:
    """Boot the machine of a backplane FILE and say which functions took the time.

    Each function's own time and that with all it called, interrupts apart, idling in HALT
    apart, and the longest stretch with interrupts off.  Exit status 0: done; 1: a text that was
    waited for did not come; 2: a mistake in a file or an option.
    """
    from emu.backplane.description import load
    from emu.files.atomic import check_output, write_atomic
    from emu.run.session import Session
    from emu.usage import profile
    from emu.usage.used import UsedMachine

    seconds, steps = asked(limit, sends, afters, script)
    if output is not None:
        check_output(output, WHAT, MARK)
    display = Display()
    with display.doing(BUILDING):
        machine = UsedMachine(load(file), seed, compiling())
    session = Session(machine, until, seconds, steps)
    display.run(session)
    with display.doing("the times are added up"):
        found = profile.profile(machine)
    if output is not None:
        name = machine.description.name or file.name
        text = json.dumps({"exporter": "preburn", **profile.speedscope(found, name)})
        write_atomic(output, text.encode(), WHAT)
    if as_json:
        say_json(profile.as_dict(found))
    else:
        say("\n".join(profile.table(found, most)))
    end_interrupted(session, "the times are those of the run up to there.")
    missed = session.missed
    if missed is not None or (until is not None and not session.reached):
        wanted = until if missed is None else missed.text.decode("latin-1")
        complain(f"the text {wanted!r} did not come; the times are those of the run up to "
                 f"{session.machine.stands()}.")
        sys.exit(1)
