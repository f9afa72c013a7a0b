"""``preburn layout``: the machine on one page, before it has a ROM."""
from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.options import backplane_file, limit_seconds
from emu.cli.progress import compiling
from emu.cli.running import BUILDING, Display, end_interrupted
from emu.cli.say import put, say
from emu.errors import InputError

if TYPE_CHECKING:
    from emu.layout.touched import Touched
    from emu.run.session import Session

SUFFIXES = {".txt": "text", ".md": "markdown", ".svg": "svg", ".json": "json"}


@click.command()
@backplane_file
@click.option("--as", "form", type=click.Choice(sorted(SUFFIXES.values())),
              help="What to write; usual: text, or what the suffix of -o says.")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="OUT",
              help="Write to a file: .txt, .md, .svg, .json.")
@click.option("--run", "seconds", metavar="SECONDS",
              help="Run it so long (emulated), and tell which ports and pages were touched.")
@click.option("--script", type=click.Path(path_type=Path),
              help="What is typed in that run: a file of send and expect lines.")
@click.option("--json", "as_json", is_flag=True, help="The same as --as json.")
def command(file: Path, form: str | None, output: Path | None, seconds: str | None,
            script: Path | None, as_json: bool) -> None:
    """Write a backplane FILE on one page: slots, ports, memory, clocks, wires, the chain.

    No image need exist yet. The page is the same, byte for byte, as long as the machine is,
    so it can be kept beside the board.
    """
    from emu.backplane.description import load
    from emu.files.atomic import write_atomic
    from emu.layout.drawing import as_svg
    from emu.layout.facts import layout
    from emu.layout.tables import as_markdown, as_text

    form = _form(form, output, as_json)
    if script is not None and seconds is None:
        raise InputError("--script belongs to --run; give --run SECONDS too.")
    found = layout(load(file, unbuilt=True))
    session, run = (None, None) if seconds is None else _run(file, seconds, script)
    if form == "json":
        facts = found.as_dict() | ({} if run is None else {"run": run.as_dict()})
        text = json.dumps(facts, indent=2) + "\n"
    elif form == "svg":
        text = as_svg(found, run)
    else:
        text = (as_text if form == "text" else as_markdown)(found, run)
    if output is None:
        (say if form == "text" else put)(text, nl=False)
    else:
        write_atomic(output, text.encode())
    if session is not None:
        end_interrupted(session, "the page tells what was touched up to there.")


def _form(form: str | None, output: Path | None, as_json: bool) -> str:
    """Settle what is written; InputError when the options say different things."""
    if as_json and form not in (None, "json"):
        raise InputError(f"--json and --as {form}: give one of them.")
    if form is not None or as_json:
        return form or "json"
    if output is None:
        return "text"
    if output.suffix.lower() not in SUFFIXES:
        raise InputError(f"{output}: its suffix says no kind of page; take one of "
                         f"{', '.join(SUFFIXES)}, or say --as.")
    return SUFFIXES[output.suffix.lower()]


def _run(file: Path, seconds: str, script: Path | None) -> tuple[Session, Touched]:
    """Boot the machine, as one that notes what is touched of it."""
    from emu.backplane.description import load
    from emu.layout.touched import TouchedMachine
    from emu.run.script import read_script
    from emu.run.session import Session

    limit = limit_seconds(seconds, "--run")
    display = Display()
    with display.doing(BUILDING):
        machine = TouchedMachine(load(file), None, compiling())
    session = Session(machine, None, limit, read_script(script) if script else [])
    display.run(session)
    return session, machine.touched()
