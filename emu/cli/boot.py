"""``preburn boot``: boot headless, show the console, end with the verdict."""
from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import click

from emu.cli.booting import asked, booting
from emu.cli.options import backplane_file
from emu.cli.progress import compiling
from emu.cli.running import run_watched
from emu.cli.typing_order import Typing
from emu.errors import InputError


@click.command(cls=Typing)
@backplane_file
@booting
@click.option("--seed", type=click.IntRange(min=0),
              help="Power-on noise, instead of the file's seed.")
@click.option("--keep", is_flag=True,
              help="Write floppies and card images back to their files at the end.")
@click.option("--fault", "faults", multiple=True, metavar="KIND[,KEY=VALUE]...",
              help="Put an electrical fault into this run, such as data-stuck,line=3,level=0; "
                   "may be given several times; docs/faults.md lists the kinds.")
@click.option("--report", type=click.Path(path_type=Path), metavar="OUT.html",
              help="Write a page with pictures of the run; it is run once more for it.")
@click.option("--chronicle", "told", is_flag=True,
              help="List what went wrong first, with the T-state of each; it is run once more.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(file: Path, until: str | None, limit: str, sends: tuple[str, ...],
            afters: tuple[str, ...], script: Path | None, seed: int | None,
            keep: bool, faults: tuple[str, ...], report: Path | None, told: bool,
            as_json: bool) -> None:
    """Boot the machine of a backplane FILE and say how it ended.

    Exit status 0: the text came, or it waits for input and no text was asked for; 1: it
    did not; 2: a mistake in a file or an option.
    """
    from emu.backplane.description import load
    from emu.chronicle.story import story_of
    from emu.diagnosis import explain
    from emu.machine.glass import framed, shown
    from emu.machine.machine import Machine
    from emu.media.files import check_keep
    from emu.report import page
    from emu.run.kept_media import keep_media
    from emu.run.session import Session

    started = time.perf_counter()
    seconds, steps = asked(limit, sends, afters, script)
    if report is not None:
        page.check(report)
    machine = Machine(load(file, faults), seed, compiling())
    if keep:
        check_keep(machine.bays.values())
    session = Session(machine, until, seconds, steps)
    run_watched(session, console=not as_json)
    kept, not_written = [], None
    try:
        kept = keep_media(machine) if keep else []
    except InputError as error:
        not_written = error  # the verdict comes first
    verdict = explain(session)
    story = story_of(session) if told else []
    failed = session.missed
    if failed is not None:
        text = failed.text.decode("latin-1")
        verdict.evidence.insert(0, f"{failed.place}: the text {text!r} did not come.")
    if report is not None:
        try:
            page.write(report, session, verdict)
        except InputError as error:
            not_written, report = not_written or error, None
    if as_json:
        out = verdict.as_dict()
        out["wall_seconds"] = round(time.perf_counter() - started, 3)
        out["console"] = {name: channel.text.decode("latin-1")
                          for name, channel in session.console.channels.items()}
        out["glass"] = shown(machine)
        if told:
            out["chronicle"] = [one.as_dict() for one in story]
        out["kept"] = kept
        out["seed"] = machine.seed
        out["faults"] = [str(fault) for fault in machine.description.faults]
        out["input"] = [
            {"t": one.t, "channel": one.where, "keys": one.value.decode("latin-1")}
            if one.kind == "typed" else {"t": one.t, "bay": one.where, "medium": one.value}
            for one in session.inputs]
        click.echo(json.dumps(out, indent=2))
    else:
        if any(c.text for c in session.console.channels.values()):
            click.echo()
        for line in [*framed(machine), *verdict.lines()]:
            click.echo(line)
        if told:
            click.echo("chronicle:")
        for one in story:
            click.echo(f"  {float(machine.seconds(one.t)):.6f} s  {one.kind}: {one.text}"
                       + (f" ({one.count} times)" if one.count > 1 else ""))
        if report is not None:
            click.echo(f"report: {report}")
        for path in kept:
            click.echo(f"kept: {path}")
        for fault in machine.description.faults:
            click.echo(f"with fault: {fault}")
        click.echo(f"({verdict.emulated_seconds:.4g} s emulated in "
                   f"{time.perf_counter() - started:.2f} s)")
    if not_written is not None:
        raise not_written
    sys.exit(verdict.exit_status(until is not None or failed is not None))
