"""``preburn console``: one's own terminal at a machine that runs in real time."""
from __future__ import annotations

import contextlib
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from emu.card.number_words import time_words
from emu.cli.options import backplane_file, limit_seconds
from emu.cli.progress import compiling
from emu.cli.say import say
from emu.cli.wrapping import show
from emu.errors import ENDING, Ended, InputError

if TYPE_CHECKING:
    from emu.live.loop import Live
    from emu.live.terminal_links import Link, Screen
    from emu.stepper.stepper import Stepper


@click.command()
@backplane_file
@click.option("--channel", help="The serial channel on this terminal; the first one if not given.")
@click.option("--pty", "as_pty", is_flag=True,
              help="Give each serial channel a pseudo-terminal, for other terminal programs.")
@click.option("--tcp", "port", type=click.IntRange(0, 65535),
              help="Give each serial channel a TCP port on 127.0.0.1, from this one on.")
@click.option("--fast", is_flag=True, help="Run as fast as it goes, not in real time.")
@click.option("--escape", default="ctrl-_", show_default=True,
              help="The key that stops the machine and takes words.")
@click.option("--save", type=click.Path(path_type=Path), help="Save the machine at the end.")
@click.option("--typed", type=click.Path(path_type=Path), metavar="FILE",
              help="Keep what was typed at the end: NAME.script for --script of other commands, "
                   "test_NAME.py for pytest.")
@click.option("--load", "saved", type=click.Path(path_type=Path),
              help="Go on from a saved machine.")
@click.option("--limit", help="End after so many emulated seconds.")
@click.option("--seed", type=click.IntRange(min=0),
              help="Power-on noise, instead of the file's seed.")
def command(file: Path, channel: str | None, as_pty: bool, port: int | None, fast: bool,
            escape: str, save: Path | None, typed: Path | None, saved: Path | None,
            limit: str | None, seed: int | None) -> None:
    """Sit at the machine of a backplane FILE, in real time.

    What you type goes to the machine, Ctrl-C too; the escape key stops it and takes words
    (help lists them).  With --pty or --tcp other programs are the terminals.
    """
    from emu.backplane.description import load
    from emu.live import saved as store
    from emu.live import typed as again
    from emu.live.escape import byte_of
    from emu.live.loop import Live
    from emu.live.pace import Pace
    from emu.live.words import do
    from emu.machine.machine import Machine
    from emu.stepper.stepper import Stepper

    key = byte_of(escape)
    seconds = None if limit is None else limit_seconds(limit)
    if saved is not None and seed is not None:
        raise InputError("--seed: a saved machine has its own seed; leave it out with --load.")
    if save is not None:
        store.check(save)
    if typed is not None:
        again.check(typed)
    chosen = seed if saved is None else store.seed_of(saved)
    stepper = Stepper(Machine(load(file), chosen, compiling()), progress=compiling())
    if saved is not None:
        store.load(saved, stepper)
    names = _channels(stepper, channel, file)
    links: list[Link] = []
    with _signals_as_before():
        try:
            screen = _connect(links, names, as_pty, port, escape)
            live = Live(stepper, links, screen, Pace(stepper.machine.hz, fast), key, do, show)
            if seconds is not None:
                live.end_t = stepper.t + stepper.machine.at(seconds)
            _end_by_signals(live)
            live.run()
            if live.dropped:
                say(f"\n{live.dropped} keys that were typed faster than the machine takes "
                    f"them are lost.")
        except KeyboardInterrupt:
            pass
        finally:
            for number in (*ENDING, signal.SIGINT):  # what follows is done to its end
                signal.signal(number, signal.SIG_IGN)
            for link in links:
                link.close()
        if save is not None:
            store.save(save, stepper)
        if typed is not None:
            say(f"\nkept in {typed}; {again.write(typed, stepper)} types it again.", nl=False)
    with contextlib.suppress(OSError):  # the terminal may have gone
        ran = time_words(float(stepper.machine.seconds(stepper.t)))
        say(f"\nended after {ran} emulated.")


@contextmanager
def _signals_as_before() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in (*ENDING, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _end_by_signals(live: Live) -> None:
    """Let a signal that asks to end do so between two keys; at once where words are typed."""
    def end(number: int, _: FrameType | None) -> None:
        if live.paused or live.done:
            raise KeyboardInterrupt if number == signal.SIGINT else Ended(number)
        live.done = True
        live.stepper.interrupt()

    for number in (*ENDING, signal.SIGINT):
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, end)


def _channels(stepper: Stepper, channel: str | None, file: Path) -> list[str]:
    """List the channels to serve, the one for this terminal first."""
    names = list(stepper.console.channels)
    if not names:
        raise InputError(f"{file}: no card with a serial channel is fitted; preburn step works "
                         f"without one.")
    if channel is not None:
        first = stepper.console.find(channel, "--channel").name
        names = [first, *(n for n in names if n != first)]
    return names


def _connect(links: list[Link], names: list[str], as_pty: bool, port: int | None,
             escape: str) -> Screen | None:
    """Make the links, telling where they are; the user's own terminal if none was asked for."""
    from emu.live.terminal_links import PseudoTerminal, Screen, TcpPort

    if as_pty and port is not None:
        raise InputError("--pty and --tcp: choose one of them.")
    for k, name in enumerate(names):
        if as_pty:
            made = PseudoTerminal(name)
            links.append(made)
            say(f"{name}: {made.path}")
        elif port is not None:
            listening = TcpPort(name, port + k if port else 0)
            links.append(listening)
            say(f"{name}: 127.0.0.1 port {listening.port}")
    if links:
        say("Ctrl-C ends.")
        return None
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise InputError("console needs a terminal; use --pty or --tcp, or preburn boot for "
                         "scripts.")
    say(f"{names[0]}; {escape} stops the machine and takes words.")
    sys.stdout.flush()
    screen = Screen(names[0], sys.stdin.fileno(), sys.stdout.fileno())
    links.append(screen)
    return screen
