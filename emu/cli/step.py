"""``preburn step``: sit at a machine, step it forwards and backwards."""
from __future__ import annotations

import sys
from pathlib import Path

import click

from emu.cli.options import backplane_file, limit_seconds
from emu.cli.progress import compiling
from emu.cli.say import say
from emu.cli.wrapping import show
from emu.errors import InputError

MEGABYTE = 1 << 20


@click.command()
@backplane_file
@click.option("--commands", type=click.Path(path_type=Path),
              help="Take the words from a file, one line each; - is standard input.")
@click.option("--symbols", "lists", multiple=True, metavar="FILE[@SLOT]",
              help="Names for an image without them: .map .noi .cdb, nm or plain lists; may be "
                   "given several times.")
@click.option("--budget", default=512, show_default=True, type=click.IntRange(16, 1 << 16),
              help="MiB of memory for going back.")
@click.option("--fault", "faults", multiple=True, metavar="KIND[,KEY=VALUE]...",
              help="Put an electrical fault into the machine; --fault '?' lists the kinds.")
@click.option("--seed", type=click.IntRange(min=0),
              help="Power-on noise, instead of the file's seed.")
@click.option("--limit", help="No run goes on past so many emulated seconds.")
@click.option("--dap", "port", type=click.IntRange(-1, 65535), is_flag=False, flag_value=-1,
              metavar="[PORT]", help="Serve an editor by the Debug Adapter Protocol, on a port of "
              "127.0.0.1 or on standard input and output.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line of words.")
def command(file: Path, commands: Path | None, lists: tuple[str, ...], budget: int,
            faults: tuple[str, ...], seed: int | None, limit: str | None, port: int | None,
            as_json: bool) -> None:
    """Sit at the machine of a backplane FILE: look, run, stop, go back, change.

    The machine is at power-on.  Type help for the words.  Exit status 0: left, or all words
    of --commands done; 1: a word of --commands could not be done; 2: a mistake in a file or an
    option.
    """
    from emu.backplane.description import load
    from emu.machine.machine import Machine
    from emu.stepper.prompt import Plain, interactive, lines_of
    from emu.stepper.stepper import Stepper

    seconds = None if limit is None else limit_seconds(limit)
    machine = Machine(load(file, faults), seed, compiling())
    stepper = Stepper(machine, budget * MEGABYTE, progress=compiling())
    if seconds is not None:
        stepper.limit_t = machine.at(seconds)
    for text in lists:
        path, _, slot = text.partition("@")
        stepper.read_symbols(Path(path), slot)
    if port is not None:
        from emu.dap.serve import serve

        serve(stepper, port, lambda line: say(line, err=True))
        return
    if commands is None and sys.stdin.isatty() and sys.stdout.isatty() and not as_json:
        interactive(stepper, show)
        return
    if commands is None and sys.stdin.isatty():
        raise InputError("step needs a terminal to type at, or --commands FILE.")
    plain = Plain(stepper, as_json)
    sys.exit(0 if plain.run(lines_of(commands)) else 1)
