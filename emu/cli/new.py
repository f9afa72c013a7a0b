"""``preburn new``: start a project: machine, images, tests, CI example."""
from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import click

from emu.bus.clock import parse_frequency
from emu.cli.say import say
from emu.errors import InputError
from emu.starting.choices import IMAGES, KINDS, Choices
from emu.starting.numbers import BY_KIND, NUMBERS, read, shown, usual

QUESTIONS = {"clock": "CPU clock", "memory": "Memory (banked, plain)",
             "serial": "Serial card (sio, acia)", "timer": "Timer (ctc, none)",
             "serial_clock": "Clock of the serial lines (a frequency, or cpu)",
             "language": "Starter ROM (asm, c, none)",
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
@click.option("--language", type=click.Choice(list(IMAGES)),
              help="A starter ROM in assembly (GNU as) or in C (SDCC), with a Makefile.")
@click.option("--preburn-from", "source", metavar="PATH|git+ADDRESS",
              help="What ci.sh installs preburn from.")
@click.option("--until", help="Text that the console shows when it has booted.")
@_number_options
def command(folder: Path, rom: Path | None, source: str | None, **given: str | None) -> None:
    """Start a project in a new FOLDER: backplane file, images or sources, tests, a CI example.

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
    if rom is not None:
        if given["language"] not in (None, "none"):
            raise InputError("--language makes a ROM and --image brings one; leave one of them "
                             "out.")
        given["language"] = "none"
    plain = Choices(folder.resolve().name)
    words: dict[str, Any] = {key: given[key] if given[key] is not None
                             else _ask(key, getattr(plain, key)) for key in QUESTIONS}
    image = "" if rom is None else f"images/{rom.name}"
    source = _source(source or "")
    if not words["until"]:
        raise InputError("--until takes the text of the prompt; it is empty.")
    for word in (plain.name, words["until"], image or plain.name, source or plain.name):
        if any(c in word for c in '"\'\\{}') or not word.isprintable():
            raise InputError(f"{word!r}: holds a character that the project's files cannot "
                             f"take; choose plain words.")
    numbers = _numbers(words, given)
    choices = Choices(plain.name, **words, own_image=image, source=source, numbers=numbers)
    for path in start(folder, choices, rom):
        say(path)
    first = (f"Put the ROM at {folder / choices.image}" if choices.language == "none" else
             f"Run make in {folder}")
    if rom is None:
        say(f"{first}, and change machine.toml where your cage differs; preburn cards "
            f"lists every card.")


def _source(text: str) -> str:
    """Give what pip installs preburn from: a path as it is from anywhere, or an address."""
    if not text or text.startswith("git+"):
        return text
    if not Path(text).exists():
        raise InputError(f"--preburn-from {text}: no such file or folder; name one, or git+ADDRESS "
                         f"of a Git repository.")
    return str(Path(text).resolve())


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
    kinds = {**KINDS, "language": tuple(IMAGES)}
    kind = click.Choice(kinds[key]) if key in kinds else None
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
