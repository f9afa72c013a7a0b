"""``preburn new``: start a project: machine, images, tests, CI example."""
from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import click

from emu.bus.clock import parse_frequency
from emu.errors import InputError
from emu.starting.choices import KINDS, Choices
from emu.starting.numbers import BY_KIND, NUMBERS, read, shown, usual

QUESTIONS = {"clock": "CPU clock", "memory": "Memory (banked, plain)",
             "serial": "Serial card (sio, acia)", "timer": "Timer (ctc, none)",
             "serial_clock": "Clock of the serial lines (a frequency, or cpu)",
             "until": "Text on the console when it has booted"}


def _number_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command an option for each number."""
    for key, number in reversed(NUMBERS.items()):
        kinds = " or ".join(kind for kind, keys in BY_KIND.items() if key in keys)
        command = click.option(f"--{key}", metavar="NUMBER", help=(
            f"{number.words} ({kinds}); usual: {shown(key, number.usual)}."))(command)
    return command


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--image", "rom", type=click.Path(path_type=Path),
              help="The ROM image; it is copied into the project.")
@click.option("--clock", help="CPU clock, such as 6.144 MHz.")
@click.option("--memory", type=click.Choice(KINDS["memory"]), help="Memory card.")
@click.option("--serial", type=click.Choice(KINDS["serial"]), help="Serial card.")
@click.option("--serial-clock", help="Clock of the serial lines, such as 614.4 kHz, or cpu.")
@click.option("--timer", type=click.Choice(KINDS["timer"]), help="Timer card.")
@click.option("--until", help="Text that the console shows when it has booted.")
@_number_options
def command(folder: Path, rom: Path | None, **given: str | None) -> None:
    """Start a project in a new FOLDER: backplane file, images, tests, a CI example.

    On a terminal it asks for what no option says, and each card's numbers too: give those of
    your own boards. Elsewhere usual values are taken.
    """
    from emu.starting.files import check_folder, start

    if folder == Path():
        raise InputError("name the project's folder.")
    check_folder(folder)
    for key, reader in CLOCKS.items():
        if (text := given[key]) is not None:
            reader(text)
    plain = Choices(folder.resolve().name)
    words: dict[str, Any] = {key: given[key] if given[key] is not None
                             else _ask(key, getattr(plain, key)) for key in QUESTIONS}
    image = plain.image if rom is None else f"images/{rom.name}"
    for word in (plain.name, words["until"], image):
        if not word or any(c in word for c in '"\'\\{}') or not word.isprintable():
            raise InputError(f"{word!r}: holds a character that the project's files cannot "
                             f"take; choose plain words.")
    numbers = _numbers(words, given)
    choices = Choices(plain.name, **words, image=image, numbers=numbers)
    for path in start(folder, choices, rom):
        click.echo(path)
    if rom is None:
        click.echo(f"Put the ROM at {folder / image}, and change machine.toml where your cage "
                   f"differs; preburn cards lists every card.")


def _numbers(words: Mapping[str, str], given: Mapping[str, str | None]) -> dict[str, int]:
    """Read the numbers given, and ask for the others that the chosen cards take."""
    numbers = {key: read(key, text) for key in NUMBERS
               if (text := given[key.replace("-", "_")]) is not None}
    asked = [key for kind in KINDS for key in BY_KIND.get(words[kind], ()) if key not in numbers]
    for key in asked if sys.stdin.isatty() else ():
        numbers[key] = click.prompt(NUMBERS[key].words, default=shown(key, usual(key, numbers)),
                                    value_proc=partial(_asked_again, partial(read, key)))
    return numbers


def _ask(key: str, answer: str) -> str:
    """Ask on a terminal; else take the usual answer."""
    if not sys.stdin.isatty():
        return answer
    kind = click.Choice(KINDS[key]) if key in KINDS else None
    reader = partial(_asked_again, CLOCKS[key]) if key in CLOCKS else None
    return str(click.prompt(QUESTIONS[key], default=answer, type=kind, show_choices=False,
                            value_proc=reader))


def _asked_again(reader: Callable[[str], Any], text: str) -> Any:
    """Read an answer; BadParameter, which asks again, when it is none."""
    try:
        return reader(text)
    except InputError as error:
        raise click.BadParameter(str(error)) from None


def _frequency(option: str, text: str) -> str:
    """Give a clock back; InputError when it is none."""
    try:
        parse_frequency(text)
    except ValueError as error:
        raise InputError(f"{option}: {error}.") from None
    return text


CLOCKS: dict[str, Callable[[str], str]] = {
    "clock": partial(_frequency, "--clock"),
    "serial_clock": lambda text: text if text == "cpu" else _frequency("--serial-clock", text)}
