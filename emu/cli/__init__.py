"""The commands, one file each; a command's file is imported only when it is used."""
from __future__ import annotations

import contextlib
import gc
import os
import signal
import sys
import traceback
from importlib import import_module
from types import FrameType

import click

from emu.errors import ENDING, Ended, InputError, asked_by

BROKEN = 70  # exit status of a mistake in preburn itself; EX_SOFTWARE of BSD's sysexits.h
COMMANDS = {
    "boot": "Boot headless and say how it ended.",
    "cards": "List the cards and their jumpers.",
    "causes": "List what a verdict may name, or explain one cause.",
    "check": "Check the wiring without running.",
    "console": "Sit at the machine: your own terminal, in real time.",
    "demo": "Lay the demo system out in a folder, sources and all.",
    "image": "Look into ROM images, pack, split, compare.",
    "layout": "Write the machine on one page: slots, ports, memory, clocks.",
    "new": "Start a project: machine, images, tests.",
    "preflight": "Before burning: one page, go or no-go.",
    "rates": "List what reaches a baud rate or a tick, and the bytes to write.",
    "medium": "Make floppy images, look into them, bring files in and out.",
    "step": "Sit at the machine: stop, look, step forwards and backwards, change it.",
    "time": "Say where the time goes, function by function.",
    "trace": "Write down what happened: text, JSON lines, VCD.",
    "record": "Keep what a good boot did.",
    "verify": "Run again and hold against a record.",
    "compare": "Find where two runs part, or a run and a real board.",
    "sweep": "Try one image on many machines.",
}


class Lazy(click.Group):
    """A group whose commands live in modules of their own."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command = import_module(f"emu.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="preburn")
def group() -> None:
    """Know, before burning a ROM, whether it boots on a set of Z80 cards, and if not, why."""


def main() -> None:
    """Run a command; a mistake of the user's ends with one line and status 2.

    A mistake of ours ends with a traceback and status `BROKEN`, never with 1, which means that
    a machine did not boot.
    """
    _open_closed()
    _keep_bytecode()
    gc.set_threshold(20_000, 50, 100)  # what a start makes stays: looking through it took 8 %
    for number in ENDING:
        if signal.getsignal(number) is signal.SIG_DFL:  # nohup's stays as it is
            signal.signal(number, _end)
    try:
        group.main(prog_name="preburn", standalone_mode=False)
    except InputError as error:
        _complain(str(error))
        sys.exit(2)
    except click.exceptions.Exit as leave:
        sys.exit(leave.exit_code)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        sys.exit(2)
    except click.ClickException as error:
        _complain(" ".join(error.format_message().split()))
        sys.exit(2)
    except (click.Abort, KeyboardInterrupt) as stop:
        sys.exit(_stopped(stop.__cause__ or stop))  # click turns one into the other
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)
    except OSError as error:
        sys.exit(_not_written(error))
    except Exception:
        traceback.print_exc()
        click.echo(f"preburn: this is a mistake in preburn, not in your files; no verdict is "
                   f"given (exit status {BROKEN}).", err=True)
        sys.exit(BROKEN)


def _complain(text: str) -> None:
    from emu.cli.say import complain

    complain(text)


def _open_closed() -> None:
    """Put nothing in the place of a standard stream that is closed: what is opened next would get
    its number, and be written into by mistake."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))


def _keep_bytecode() -> None:
    """Keep bytecode in our cache where none may be written beside the sources."""
    if sys.dont_write_bytecode and sys.pycache_prefix is None:
        from emu.native.cache import keep_bytecode

        keep_bytecode()


def _end(number: int, _: FrameType | None) -> None:
    """Let what is under way be cleaned up; further signals of the kind would cut that short."""
    for one in ENDING:
        signal.signal(one, signal.SIG_IGN)
    raise Ended(number)


def _stopped(stop: BaseException) -> int:
    """Say what asked to end, and what is known so far; status 128 and the signal's number."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # what follows is done at once
    number = stop.number if isinstance(stop, Ended) else int(signal.SIGINT)
    with contextlib.suppress(OSError):  # the terminal may have gone
        _complain(str(stop) or f"stopped by {asked_by(stop)}.")
    return 128 + number


def _not_written(error: OSError) -> int:
    """Say in a line what the system refused; status 2.  Files have words of their own."""
    from emu.files.atomic import reason

    what = f"{error.filename}: cannot be used" if error.filename else \
        "standard output: cannot be written"
    with contextlib.suppress(OSError):
        _complain(f"{what}: {reason(error)}.")
    with contextlib.suppress(OSError):  # nor can what is left be flushed at the end
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    return 2
