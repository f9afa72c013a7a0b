"""``preburn record``: keep what a boot of a good image did, to hold later runs against."""
from __future__ import annotations

import sys
from pathlib import Path

import click

from emu.card.number_words import time_words
from emu.cli import wrapping
from emu.cli.booting import asked, booting
from emu.cli.options import backplane_file
from emu.cli.progress import compiling
from emu.cli.running import BUILDING, Display, end_interrupted, last_words
from emu.cli.say import say, say_json
from emu.cli.typing_order import Typing

GOOD = ("reached", "waiting-for-input")


@click.command(cls=Typing)
@backplane_file
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path),
              help="The record to write.")
@booting
@click.option("--seed", type=click.IntRange(min=0),
              help="Power-on noise, instead of the file's seed.")
@click.option("--milestone", "places", multiple=True, metavar="PLACE",
              help="Note when the code at a symbol, file.s:12 or address is first run; may be "
                   "given several times.")
@click.option("--anyway", is_flag=True, help="Keep the run even if it did not end well.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(file: Path, output: Path, until: str | None, limit: str, sends: tuple[str, ...],
            afters: tuple[str, ...], script: Path | None, seed: int | None,
            places: tuple[str, ...], anyway: bool, as_json: bool) -> None:
    """Boot the machine of a backplane FILE and keep what it did in a record.

    The record is a text file for version control: console, milestones, interrupts, port
    traffic, memory and bus as digests.

    Exit status 0: recorded; 1: the boot did not end well, nothing is written; 2: a mistake
    in a file or an option.
    """
    from emu.backplane.description import load
    from emu.diagnosis import explain
    from emu.knowngood import recordfile
    from emu.knowngood.marks import mark
    from emu.knowngood.metered import MeteredMachine
    from emu.knowngood.record import record
    from emu.run.session import Session

    seconds, steps = asked(limit, sends, afters, script)
    recordfile.check(output)
    display = Display()
    with display.doing(BUILDING):
        machine = MeteredMachine(load(file), seed, compiling())
    names = mark(machine, places, "--milestone")
    session = Session(machine, until, seconds, steps)
    display.run(session)
    end_interrupted(session, f"nothing is recorded{last_words(session)}.")
    with display.doing("the run has ended; its record is made"):
        tree = record(session, names=names)
        verdict = explain(session)
    tree["end"]["verdict"] = verdict.verdict
    good = (verdict.verdict in GOOD and session.missed is None
            and (session.reached or until is None))
    if good or anyway:
        recordfile.write(output, tree)
    if as_json:
        say_json({
            "record": str(output) if good or anyway else None, "verdict": verdict.verdict,
            "summary": verdict.summary, "t_states": tree["end"]["t"],
            "bus_cycles": tree["bus"]["cycles"], "milestones": tree["milestones"]})
    elif good or anyway:
        bus, ran = tree["bus"], float(machine.seconds(tree["end"]["t"]))
        say(f"{output}: {verdict.verdict} after {time_words(ran, 4)} emulated; "
            f"{bus['cycles']:,} bus cycles, digest {bus['digest']}, "
            f"{len(bus['checkpoints'])} checkpoints.")
        for name, t in tree["milestones"]:
            say(f"  {float(machine.seconds(t)):.6f} s  {name}")
    else:
        wrapping.show(verdict.lines())
        say(f"{output}: not written, since this boot did not end well; --anyway keeps it.")
    sys.exit(0 if good or anyway else 1)
