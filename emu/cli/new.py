"""``preburn new``: start a project: machine, images, tests, CI example."""
from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import click

from emu.errors import InputError
from emu.starting.choices import MEMORY, SERIAL, TIMER, Choices

KINDS: dict[str, Iterable[str]] = {"memory": MEMORY, "serial": SERIAL, "timer": TIMER}
QUESTIONS = {"clock": "CPU clock", "memory": "Memory (plain, banked)",
             "serial": "Serial card (acia, sio)", "timer": "Timer (ctc, none)",
             "until": "Text on the console when it has booted"}


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--image", "rom", type=click.Path(path_type=Path),
              help="The ROM image; it is copied into the project.")
@click.option("--clock", help="CPU clock, such as 7.3728 MHz.")
@click.option("--memory", type=click.Choice(list(MEMORY)), help="Memory card.")
@click.option("--serial", type=click.Choice(list(SERIAL)), help="Serial card.")
@click.option("--timer", type=click.Choice(list(TIMER)), help="Timer card.")
@click.option("--until", help="Text that the console shows when it has booted.")
def command(folder: Path, rom: Path | None, **given: str | None) -> None:
    """Start a project in a new FOLDER: backplane file, images, tests, a CI example.

    On a terminal it asks for what no option says; else usual values are taken.
    """
    from emu.starting.files import check_folder, memory_for, start

    if folder == Path():
        raise InputError("name the project's folder.")
    check_folder(folder)
    if given["clock"] is not None:
        try:
            _clock(given["clock"])
        except click.BadParameter as error:
            raise InputError(f"--clock: {error.message}") from None
    usual = Choices(folder.resolve().name, memory="plain" if rom is None else memory_for(rom))
    answers = {key: value if value is not None else _ask(key, getattr(usual, key))
               for key, value in given.items()}
    image = usual.image if rom is None else f"images/{rom.name}"
    choices = Choices(usual.name, **answers, image=image)
    for word in (choices.name, choices.until, image):
        if not word or any(c in word for c in '"\'\\{}') or not word.isprintable():
            raise InputError(f"{word!r}: holds a character that the project's files cannot "
                             f"take; choose plain words.")
    for path in start(folder, choices, rom):
        click.echo(path)
    if rom is None:
        click.echo(f"Put the ROM at {folder / image}, and change machine.toml where your cage "
                   f"differs; preburn cards lists every card.")


def _ask(key: str, usual: str) -> str:
    """Ask on a terminal; else take the usual answer."""
    if not sys.stdin.isatty():
        return usual
    kind = click.Choice(list(KINDS[key])) if key in KINDS else None
    return str(click.prompt(QUESTIONS[key], default=usual, type=kind, show_choices=False,
                            value_proc=_clock if key == "clock" else None))


def _clock(text: str) -> str:
    """Give a clock back; BadParameter, which asks again, when it is none."""
    from emu.bus.clock import parse_frequency

    try:
        parse_frequency(text)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from None
    return text
