"""``preburn boot``: boot headless, show the console, end with the verdict."""
from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from emu.card.number_words import time_words
from emu.cli import wrapping
from emu.cli.after_run import AfterRun
from emu.cli.booting import asked, booting
from emu.cli.options import backplane_file, limit_seconds
from emu.cli.progress import compiling
from emu.cli.running import BUILDING, STOPPED, Display
from emu.cli.say import say, say_json
from emu.cli.typing_order import Typing
from emu.errors import InputError

if TYPE_CHECKING:
    from emu.diagnosis.verdict import Verdict
    from emu.machine.machine import Machine
    from emu.run.session import Session


@click.command(cls=Typing)
@backplane_file
@booting
@click.option("--seed", type=click.IntRange(min=0),
              help="Power-on noise, instead of the file's seed.")
@click.option("--keep", is_flag=True,
              help="Write floppies and card images back to their files at the end.")
@click.option("--fault", "faults", multiple=True, metavar="KIND[,KEY=VALUE]...",
              help="Put an electrical fault into this run, such as data-stuck,line=3,level=0; "
                   "may be given several times; --fault '?' lists the kinds.")
@click.option("--report", type=click.Path(path_type=Path), metavar="OUT.html",
              help="Write a page with pictures of the run; it is run once more for it.")
@click.option("--chronicle", "told", is_flag=True,
              help="List what went wrong first, with the T-state of each; it is run once more.")
@click.option("--console", "kept_text", type=click.Path(path_type=Path), metavar="FILE",
              help="Keep all that the terminals showed in FILE; on the screen long noise is "
                   "shortened.")
@click.option("--full", is_flag=True,
              help="Run on to the limit even when it is proved that nothing changes any more.")
@click.option("--coverage", type=click.Path(path_type=Path), metavar="OUT.info",
              help="Say which instructions, source lines and branches ran, and write it as an "
                   "LCOV file, to which runs of the same images add; it is run once more.")
@click.option("--watch", is_flag=True,
              help="Boot again whenever the backplane file, an image or the script changes, and "
                   "say how the verdict differs; Ctrl-C ends it.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(file: Path, script: Path | None, watch: bool, as_json: bool, **options: Any) -> None:
    """Boot the machine of a backplane FILE and say how it ended.

    Exit status 0: the text came, or it waits for input and no text was asked for; 1: it
    did not; 2: a mistake in a file or an option.
    """
    if watch and as_json:
        raise InputError("--watch is for people; leave --json out.")
    limit_seconds(options["limit"])  # a change of the files would not mend it

    def once() -> tuple[Verdict, int]:
        return boot(file, script=script, as_json=as_json, **options)

    if not watch:
        sys.exit(once()[1])
    from emu.cli.watching import watched

    sys.exit(watched(once, file, script))


def _closed(machine: Machine) -> str:
    from emu.diagnosis.closed import closed

    return closed(machine)


def boot(file: Path, until: str | None, limit: str, sends: tuple[str, ...],
            afters: tuple[str, ...], script: Path | None, seed: int | None,
            keep: bool, faults: tuple[str, ...], report: Path | None, told: bool,
            kept_text: Path | None, full: bool, coverage: Path | None,
            as_json: bool) -> tuple[Verdict, int]:
    """Boot once as the options say; give the verdict and the exit status."""
    from emu.backplane.description import load
    from emu.machine.machine import Machine
    from emu.native.units import compile_seconds
    from emu.run.session import Session
    from emu.run.silent import Silent

    started = time.perf_counter()
    seconds, steps = asked(limit, sends, afters, script)
    after = AfterRun(told, report, kept_text, coverage)
    after.check()
    display = Display(not as_json, "--console FILE keeps all of it"
                      if kept_text is None else f"all of it is in {kept_text}")
    with display.doing(BUILDING):
        machine = Machine(load(file, faults), seed, compiling())
    built, compiled = time.perf_counter(), compile_seconds()
    if keep:
        from emu.media.files import check_keep

        check_keep(machine.bays.values())
    session = Session(machine, until, seconds, steps, over=None if full else Silent(_closed))
    display.run(session)
    if session.interrupted:
        say(f"preburn: interrupted after {machine.stands()}; the cause is looked for, Ctrl-C "
            f"again ends at once.", err=True)
    ran = time.perf_counter()
    # What follows is loaded when the console has shown what it shows: a tenth of a second.
    from emu.diagnosis import explain
    from emu.machine.glass import framed
    from emu.run.kept_media import keep_media

    kept, not_written = [], None
    try:
        kept = keep_media(machine) if keep else []
    except InputError as error:
        not_written = error  # the verdict comes first
    with display.doing("the run has ended; the cause is looked for"):
        verdict = explain(session)
    tell_missed(session, verdict)
    thought = time.perf_counter() - ran - (compile_seconds() - compiled)
    after.make(session, verdict, display)
    if as_json:
        out = verdict.as_dict() | after.facts | _console_facts(session) | {
            "wall_seconds": round(time.perf_counter() - started, 3),
            "compile_seconds": round(compile_seconds(), 3), "run_seconds": round(ran - built, 3),
            "kept": kept}
        say_json(out)
    else:
        if any(c.text for c in session.console.channels.values()):
            say()
        lines = [*framed(machine), *verdict.lines(), *after.story, *after.written]
        lines += [f"kept: {path}" for path in kept]
        lines += [f"with fault: {fault}" for fault in machine.description.faults]
        wrapping.show(lines + after.covered)
        again = time.perf_counter() - ran - thought - (compile_seconds() - compiled)
        wrapping.show_end(verdict, took(verdict, ran - built, thought, again, compile_seconds()))
    for amiss in (not_written, after.failed, after.stopped):
        if amiss is not None:
            raise amiss
    if session.interrupted:
        return verdict, STOPPED
    return verdict, verdict.exit_status(until is not None or session.missed is not None)


def _console_facts(session: Session) -> dict[str, Any]:
    """Give what the terminals showed and what was done to the machine, as JSON takes it."""
    from emu.machine.glass import shown

    machine = session.machine
    return {
        "console": {name: channel.text.decode("latin-1")
                    for name, channel in session.console.channels.items()},
        "glass": shown(machine), "seed": machine.seed,
        "faults": [str(fault) for fault in machine.description.faults],
        "input": [
            {"t": one.t, "channel": one.where, "keys": one.value.decode("latin-1")}
            if one.kind == "typed" else {"t": one.t, "bay": one.where, "medium": one.value}
            for one in session.inputs]}


def tell_missed(session: Session, verdict: Verdict) -> None:
    """Put the text that was waited for and did not come before all other evidence."""
    failed = session.missed
    if failed is not None:
        text = failed.text.decode("latin-1")
        line = f"{failed.place}: the text {text!r} did not come."
    else:
        line = f"The text {session.until!r} did not come."
    if failed is not None or (session.until is not None and not session.reached
                              and line not in verdict.evidence):
        verdict.evidence.insert(0, line)


def took(verdict: Verdict, run: float, explain: float, again: float, compiled: float) -> str:
    """Say what took how many seconds: the run, its explanation, the pages for which it was run
    again; what is compiled once is no part of them."""
    out = f"{time_words(verdict.emulated_seconds, 4)} emulated in {run:.2f} s"
    out += f", explained in {explain:.2f} s" * (explain >= 0.05)
    out += f", run once more in {again:.2f} s" * (again >= 0.05)
    return out + f", compiled in {compiled:.1f} s" * (compiled > 0)
