"""``preburn boot``: boot headless, show the console, end with the verdict."""
from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from emu.card.number_words import time_words
from emu.cli import wrapping
from emu.cli.booting import asked, booting
from emu.cli.options import backplane_file, limit_seconds
from emu.cli.progress import compiling
from emu.cli.running import run_watched
from emu.cli.say import say
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
                   "may be given several times; docs/faults.md lists the kinds.")
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
    check_outputs(report, kept_text, coverage)
    machine = Machine(load(file, faults), seed, compiling())
    built, compiled = time.perf_counter(), compile_seconds()
    if keep:
        from emu.media.files import check_keep

        check_keep(machine.bays.values())
    session = Session(machine, until, seconds, steps, over=None if full else Silent(_closed))
    run_watched(session, not as_json, "--console FILE keeps all of it"
                if kept_text is None else f"all of it is in {kept_text}")
    ran = time.perf_counter()
    # What follows is loaded when the console has shown what it shows: a tenth of a second.
    from emu.chronicle.story import story_of
    from emu.diagnosis import explain
    from emu.machine.glass import framed, shown
    from emu.run.kept_media import keep_media

    kept, not_written = [], None
    try:
        kept = keep_media(machine) if keep else []
    except InputError as error:
        not_written = error  # the verdict comes first
    verdict = explain(session)
    story = story_of(session) if told else []
    tell_missed(session, verdict)
    if report is not None:
        from emu.report import page

        try:
            page.write(report, session, verdict)
        except InputError as error:
            not_written, report = not_written or error, None
    if kept_text is not None:
        from emu.run import console_file

        try:
            console_file.write(kept_text, session)
        except InputError as error:
            not_written = not_written or error
    covered: list[str] = []
    if coverage is not None:
        from emu.usage import coverage as counted
        from emu.usage import lcov
        from emu.usage.used import used_again

        found = counted.coverage(used_again(session))
        covered = ["coverage:", *(f"  {row}" for row in counted.table(found))]
        try:
            lcov.write(coverage, [found], counted.sources(machine))
            covered.append(f"  {coverage}")
        except InputError as error:
            not_written = not_written or error
    if as_json:
        out = verdict.as_dict()
        out["wall_seconds"] = round(time.perf_counter() - started, 3)
        out["compile_seconds"] = round(compile_seconds(), 3)
        out["run_seconds"] = round(ran - built, 3)
        out["console"] = {name: channel.text.decode("latin-1")
                          for name, channel in session.console.channels.items()}
        out["glass"] = shown(machine)
        if told:
            out["chronicle"] = [one.as_dict() for one in story]
        if coverage is not None:
            out["coverage"] = [row.as_dict() for row in counted.totals(found)]
        out["kept"] = kept
        out["seed"] = machine.seed
        out["faults"] = [str(fault) for fault in machine.description.faults]
        out["input"] = [
            {"t": one.t, "channel": one.where, "keys": one.value.decode("latin-1")}
            if one.kind == "typed" else {"t": one.t, "bay": one.where, "medium": one.value}
            for one in session.inputs]
        say(json.dumps(out, indent=2))
    else:
        if any(c.text for c in session.console.channels.values()):
            say()
        lines = [*framed(machine), *verdict.lines()]
        if told:
            lines.append("chronicle:")
        lines += [f"  {float(machine.seconds(one.t)):.6f} s  {one.kind}: {one.text}"
                  + (f" ({one.count} times)" if one.count > 1 else "") for one in story]
        lines += [f"report: {report}"] * (report is not None)
        lines += [f"kept: {path}" for path in kept]
        lines += [f"with fault: {fault}" for fault in machine.description.faults]
        wrapping.show(lines + covered)
        thought = time.perf_counter() - ran - (compile_seconds() - compiled)
        wrapping.show_end(verdict, _took(verdict, ran - built, thought, compile_seconds()))
    if not_written is not None:
        raise not_written
    return verdict, verdict.exit_status(until is not None or session.missed is not None)


def check_outputs(report: Path | None, kept_text: Path | None, coverage: Path | None) -> None:
    """Hold the files that are to be written against where they would lie, before the run."""
    if report is not None:
        from emu.report import page

        page.check(report)
    if kept_text is not None:
        from emu.run import console_file

        console_file.check(kept_text)
    if coverage is not None:
        from emu.usage import lcov

        lcov.check(coverage)


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


def _took(verdict: Verdict, run: float, explain: float, compiled: float) -> str:
    """Say what took how long; what is compiled once is no part of the run."""
    out = f"{time_words(verdict.emulated_seconds, 4)} emulated in {run:.2f} s"
    out += f", explained in {explain:.2f} s" * (explain >= 0.05)
    return out + f", compiled in {compiled:.1f} s" * (compiled > 0)
