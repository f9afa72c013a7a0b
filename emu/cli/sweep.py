"""``preburn sweep``: one image over many machines, or many images over one."""
from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from emu.cli.booting import asked, booting
from emu.cli.options import backplane_file
from emu.cli.progress import compiling
from emu.cli.say import say, say_json
from emu.cli.typing_order import Typing
from emu.errors import InputError, printable

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from emu.sweep.axes import Axis
    from emu.sweep.jobs import Job

HELP = """Boot the machine of a backplane FILE in many variants and tell which boot.

Every combination of the given options is run, on all cores.  Exit status 0: all machines
boot (with --smallest: one does); 1: some do not; 2: a mistake in a file or an option.
"""


@click.command(cls=Typing, help=HELP)
@backplane_file
@booting
@click.option("--each-card", is_flag=True, help="All cards, and without each one.")
@click.option("--card-sets", is_flag=True, help="Every set of the cards.")
@click.option("--smallest", is_flag=True,
              help="Find the smallest sets of cards on which it boots.")
@click.option("--chain-orders", is_flag=True, help="Every order of the interrupt chain.")
@click.option("--clock", "clocks", multiple=True, help='A clock of the CPU, such as "8 MHz".')
@click.option("--part", "parts", multiple=True, type=click.Choice(["nmos", "cmos"]),
              help="The CPU's process.")
@click.option("--waits", multiple=True, type=click.IntRange(0, 31),
              help="Wait states of all memory.")
@click.option("--seeds", type=click.IntRange(1, 100_000), metavar="N",
              help="N different noises at power-on: RAM, registers, phases, bus.")
@click.option("--image", "images", multiple=True, type=click.Path(path_type=Path),
              help="An image in place of the file's.")
@click.option("--fault", "faults", multiple=True, metavar="FAULT",
              help="No fault, and this one (written as for preburn boot).")
@click.option("--vary", "settings", multiple=True, metavar="KEY=A|B",
              help='Any setting, such as "slot.sio.clock-a=614.4 kHz|1.8432 MHz".')
@click.option("--jobs", type=click.IntRange(1, 1024), help="Processes; default: one a core.")
@click.option("--cluster", metavar="ADDRESS", help="Run on a Dask cluster instead.")
@click.option("--results", type=click.Path(path_type=Path),
              help="Keep results here, and take those that are there already.")
@click.option("--csv", "csv_out", type=click.Path(path_type=Path), help="Write a CSV table.")
@click.option("--html", "html_out", type=click.Path(path_type=Path), help="Write a page.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(file: Path, until: str | None, limit: str, sends: tuple[str, ...],
            afters: tuple[str, ...], script: Path | None, smallest: bool, jobs: int | None,
            cluster: str | None, results: Path | None, csv_out: Path | None,
            html_out: Path | None, as_json: bool, **varied: Any) -> None:
    from emu.backplane.description import load_tree
    from emu.sweep import axes as axis
    from emu.sweep import tables
    from emu.sweep.jobs import Asked, make_jobs
    from emu.sweep.run import Results, rows

    started = time.perf_counter()
    seconds, steps = asked(limit, sends, afters, script)
    question = Asked(until, seconds, tuple(steps))
    tables.check(csv_out, html_out)
    tree = load_tree(file)
    chosen = _axes(tree, file, varied)
    if smallest and (varied["each_card"] or varied["card_sets"]):
        raise InputError("--smallest tries the sets of cards itself; leave --each-card and "
                         "--card-sets out.")
    if not chosen and not smallest:
        raise InputError("nothing is varied; give --each-card, --chain-orders, --clock, --part, "
                         "--waits, --seeds, --image, --fault, --vary or --smallest.")
    kept, done = Results(results), list[Any]()
    with _executor(cluster, jobs) as executor:
        rounds = axis.sets_of(tree) if smallest else iter([None])
        for sets in rounds:
            first = [axis.Axis("cards", tuple(sets))] if sets else []
            todo = make_jobs(tree, file, [*first, *chosen], question, len(done) + 1,
                             cluster is not None)
            _run(todo, executor, kept)
            done += rows(todo, kept.found)
            if smallest and any(row["boots"] for row in done):
                break
    _write(csv_out, html_out, f"{file.name}: {len(done)} machines", done)
    _show(done, smallest, as_json, time.perf_counter() - started)
    good = [row["boots"] for row in done]
    sys.exit(0 if (any(good) if smallest else all(good)) else 1)


def _axes(tree: Mapping[str, Any], file: Path, varied: Mapping[str, Any]) -> list[Axis]:
    """Make the axes of the options that were given."""
    from emu.sweep import axes

    out = []
    if varied["each_card"] or varied["card_sets"]:
        out.append(axes.cards(tree, varied["card_sets"]))
    if varied["images"]:
        out.append(axes.images(tree, file, varied["images"]))
    if varied["chain_orders"]:
        out.append(axes.chain_orders(tree))
    if varied["clocks"]:
        out.append(axes.cpu_setting(tree, "clock", varied["clocks"]))
    if varied["parts"]:
        out.append(axes.cpu_setting(tree, "part", varied["parts"]))
    if varied["waits"]:
        out.append(axes.waits(tree, varied["waits"]))
    if varied["faults"]:
        out.append(axes.faults(varied["faults"]))
    out += [axes.setting(text) for text in varied["settings"]]
    if varied["seeds"]:
        out.append(axes.seeds(varied["seeds"]))
    return out


def _executor(cluster: str | None, jobs: int | None) -> AbstractContextManager[Executor]:
    from emu.sweep import run, workers

    if cluster is not None:
        return run.cluster(cluster)
    count = workers.count_of(jobs)
    if jobs is not None and count < jobs:
        click.echo(f"preburn: --jobs {jobs}: {count} processes are started, "
                   f"{workers.EACH_CORE} a core.", err=True)
    return workers.local_pool(count)


def _run(todo: Sequence[Job], executor: Executor, kept: Any) -> None:
    """Run the jobs; the machine code is made first, once."""
    from emu.machine.machine import modules_of
    from emu.native import jit
    from emu.sweep.jobs import described
    from emu.sweep.run import run

    if not jit.plain_python() and todo:
        from emu.backplane.description import load_tree
        from emu.native import units

        job = next((job for job in todo if not job.problem), todo[0])
        cards = [slot.card for slot in described(load_tree(job.path), job.path, job.variant).slots]
        units.ready(modules_of(cards), compiling())
    teller = _teller()
    try:
        run(todo, executor, kept, teller, _broken)
    except KeyboardInterrupt as stop:
        count = sum(job.key in kept.found for job in todo)
        where = f" and kept in {kept.path}; run the same command to go on" if kept.path else ""
        stop.args = (f"broken off: {count} of {len(todo)} machines are done{where}.",)
        raise


def _broken() -> None:
    click.echo("\npreburn: finishing the machines under way; Ctrl-C again ends at once.", err=True)


def _teller() -> Callable[[int, int], None]:
    """Show on a terminal how far the sweep is."""
    live = sys.stderr.isatty()

    def told(done: int, count: int) -> None:
        if live:
            click.echo(f"\rpreburn: {done} of {count} machines", nl=done == count, err=True)

    return told


def _write(csv_out: Path | None, html_out: Path | None, title: str, done: list[Any]) -> None:
    from emu.files.atomic import write_atomic
    from emu.sweep import tables

    for path, what, text in ((csv_out, "CSV table", tables.as_csv), (
            html_out, "page", lambda rows: tables.as_html(title, rows))):
        if path is not None:
            write_atomic(path, text(done).encode("utf-8"), what)


def _show(done: list[Any], smallest: bool, as_json: bool, wall: float) -> None:
    from emu.sweep import tables

    best = [row["varied"]["cards"] for row in done if row["boots"]] if smallest else []
    if as_json:
        out = {"machines": done, "boot": sum(row["boots"] for row in done),
               "summary": tables.summary(done)}
        if smallest:
            out["smallest"] = list(dict.fromkeys(best))
        say_json(out)
        return
    for line, row in zip(tables.text(done), [None, *done], strict=True):
        colour = None if row is None else "green" if row["boots"] else "red"
        click.echo(click.style(printable(line), fg=colour, bold=row is None))
    say()
    for line in tables.summary(done):
        say(line)
    if smallest:
        sets = " or ".join(f"{{{name}}}" for name in dict.fromkeys(best))
        say(f"smallest: besides the CPU and the image's card it takes {sets}."
            if best else "smallest: it boots on no set of these cards.")
    say(f"({len(done)} machines in {wall:.1f} s)")
