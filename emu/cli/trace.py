"""``preburn trace``: write down what a machine did, cycle by cycle or by instruction."""
from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

import click

from emu.card.number_words import time_words
from emu.cli.booting import asked, booting
from emu.cli.options import backplane_file
from emu.cli.progress import compiling
from emu.cli.running import BUILDING, Display, interruptible
from emu.cli.say import say
from emu.cli.typing_order import Typing
from emu.errors import InputError

if TYPE_CHECKING:
    from emu.logs.filters import Filter
    from emu.logs.records import Chunk
    from emu.logs.setting import Setting
    from emu.logs.window import Choice, Outlet, Window
    from emu.machine.machine import Machine
    from emu.run.session import Session

MARKS = {"--text": b"T-state", "--jsonl": b'{"t":', "--vcd": b"$version preburn"}  # of old ones

HELP = """Run the machine of a backplane FILE and write down what happened.

Without --text, --jsonl or --vcd the text goes to standard output.  A name that ends with .gz
is written compressed.

\b
WHEN is one of
  1200t               T-state 1200
  1.5ms, 2 s, 300us   emulated time since power-on
  shell, shell+4      the first instruction run there; also 0x0100 or file.s:12
  text:tw>            a terminal has shown this text (escapes \\r \\n \\xNN)
  int nmi ack halt    /INT falls, an NMI is answered, an interrupt is
                      acknowledged, the CPU enters HALT
  port:20h            the first access to this port

\b
WHAT is one of
  8000h-80FFh         memory cycles at these addresses
  console_put         memory cycles from a symbol up to the next one
  port:20h-27h        I/O at these ports
  sio                 what this card drives, and I/O at its ports
  read, write, in, out, fetch, acknowledge, halted, nmi
                      this kind of bus cycle
An instruction is written when one of its bus cycles is chosen.

Exit status 0: written; 1: --from did not happen; 2: a mistake in a file or an option.
"""


@click.command(cls=Typing, help=HELP)
@backplane_file
@click.option("--text", "text_out", metavar="OUT", help="Write text; - is standard output.")
@click.option("--jsonl", "json_out", metavar="OUT", help="Write JSON lines.")
@click.option("--json", "as_json", is_flag=True, help="The same as --jsonl -.")
@click.option("--vcd", "vcd_out", metavar="OUT", help="Write a value change dump: every pin.")
@click.option("--vcd-timescale", default="exact", show_default=True, metavar="UNIT",
              help='"exact": half a T-state is a whole number of units, or stands at the nearest '
                   'ps; "tick": one unit (written as 1 us) is half a T-state; or "1 ns" and so on.')
@click.option("--vcd-lines", type=click.Choice(["all", "scalars"]), default="all",
              show_default=True,
              help="scalars: no vectors and texts, as protocol decoders want it.")
@click.option("--from", "begin", metavar="WHEN", help="Begin here.")
@click.option("--to", "end", metavar="WHEN", help="End here.")
@click.option("--last", type=click.IntRange(1), metavar="N",
              help="Write only the last N instructions, or bus cycles.")
@click.option("--cycles/--instructions", "by_cycle", default=False,
              help="One line a bus cycle, or one an instruction (the default).")
@click.option("--only", "only", multiple=True, metavar="WHAT",
              help="Write only this; may be given several times.  A VCD is always whole.")
@booting
@click.option("--seed", type=click.IntRange(min=0),
              help="Power-on noise, instead of the file's seed.")
def command(file: Path, text_out: str | None, json_out: str | None, as_json: bool,
            vcd_out: str | None, vcd_timescale: str, vcd_lines: str, begin: str | None,
            end: str | None, last: int | None, by_cycle: bool, only: tuple[str, ...],
            until: str | None, limit: str, sends: tuple[str, ...], afters: tuple[str, ...],
            script: Path | None, seed: int | None) -> None:
    from emu.backplane.description import load
    from emu.logs import filters, vcd
    from emu.logs.setting import setting_of
    from emu.logs.traced import Finished, TracedMachine
    from emu.run.session import Session

    if as_json:
        json_out = json_out or "-"
    if not (text_out or json_out or vcd_out):
        text_out = "-"
    if [text_out, json_out, vcd_out].count("-") > 1:
        raise InputError("only one of --text, --jsonl and --vcd can go to standard output; "
                         "name a file for the others.")
    if only and not (text_out or json_out):
        raise InputError("--only concerns --text and --jsonl; a VCD is always whole. "
                         "Cut it with --from and --to.")
    seconds, steps = asked(limit, sends, afters, script)
    with Display().doing(BUILDING):
        machine = TracedMachine(load(file), seed, compiling())
    setting = setting_of(machine)
    vcd.timescale(vcd_timescale, machine.hz)
    window = _window(machine, setting, begin, end)
    chosen = filters.parse(only, setting)
    session = Session(machine, until, seconds, steps)
    with _writing(text_out, json_out, vcd_out), ExitStack() as files:
        outlets: list[Outlet] = [*_text_outlets(files, setting, text_out, json_out, chosen,
                                                by_cycle, last)]
        if vcd_out:
            outlets.append(_vcd_outlet(files, setting, vcd_out, vcd_timescale,
                                       vcd_lines == "scalars", by_cycle, last))
        teller = _Teller(machine.hz, "-" in (text_out, json_out, vcd_out))
        machine.trace(window, outlets, teller.take)
        with interruptible(session):
            with suppress(Finished):
                session.run()
            machine.finish()
            teller.finish()
    _say_how_it_ended(window, session, begin, end, seconds)


def _window(machine: Machine, setting: Setting, begin: str | None, end: str | None) -> Window:
    from emu.logs import when
    from emu.logs.window import Window

    first = None if begin is None else when.parse("--from", begin, machine, setting)
    last = None if end is None else when.parse("--to", end, machine, setting)
    start = 0 if first is None else first.t
    if last is not None and last.t is not None and start is not None and last.t <= start:
        raise InputError(f"--to {end} does not lie behind --from {begin or '0t'}; "
                         f"give a later end.")
    return Window(first, last)


@contextmanager
def _writing(*names: str | None) -> Iterator[None]:
    """Name the files when one of them cannot be written to the end; InputError."""
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        from emu.files.atomic import reason

        told = " or ".join("standard output" if name == "-" else name for name in names if name)
        raise InputError(f"{told}: cannot be written: {reason(error)}; the trace is not "
                         f"whole.") from None


def _open(files: ExitStack, name: str, option: str) -> BinaryIO:
    if name == "-":
        return sys.stdout.buffer
    from emu.files.atomic import check_output, reason

    check_output(Path(name), "trace", MARKS[option])
    try:
        plain = files.enter_context(open(name, "wb"))
        if not name.endswith(".gz"):
            return plain
        import gzip

        return cast(BinaryIO, files.enter_context(  # no name and no time: the same bytes again
            gzip.GzipFile("", "wb", compresslevel=1, fileobj=plain, mtime=0)))
    except OSError as error:
        raise InputError(f"{option} {name}: cannot be written: {reason(error)}.") from None


def _text_outlets(files: ExitStack, setting: Setting, text_out: str | None,
                  json_out: str | None, only: Filter | None, by_cycle: bool,
                  last: int | None) -> list[Choice]:
    from emu.logs.jsonlines import JsonWriter
    from emu.logs.text import TextWriter
    from emu.logs.window import Choice

    writers: list[Any] = []
    if text_out:
        writers.append(TextWriter(_open(files, text_out, "--text"), setting, by_cycle))
    if json_out:
        writers.append(JsonWriter(_open(files, json_out, "--jsonl"), setting, by_cycle))
    return [Choice(writer.write, only, by_cycle, last) for writer in writers]


def _vcd_outlet(files: ExitStack, setting: Setting, name: str, scale: str, scalars: bool,
                by_cycle: bool, last: int | None) -> Outlet:
    from emu.logs.vcd import VcdWriter
    from emu.logs.window import Whole

    writer = VcdWriter(_open(files, name, "--vcd"), setting, scale, scalars)
    return Whole(writer, by_cycle, last)


class _Teller:
    """Show on a terminal how far the run is, and at the end what was done."""

    def __init__(self, hz: Fraction, printed: bool) -> None:
        self._hz, self._records = hz, 0
        self._next, self._shown = time.monotonic() + 0.5, False
        self._live = sys.stderr.isatty() and not (printed and sys.stdout.isatty())

    def take(self, chunk: Chunk) -> None:
        self._records += len(chunk)
        if self._live and time.monotonic() >= self._next:
            self._next = time.monotonic() + 0.2
            self._shown = True
            click.echo(f"\rpreburn: {float(int(chunk.t[-1]) / self._hz):.4f} s emulated, "
                       f"{self._records:,} instructions", nl=False, err=True)

    def finish(self) -> None:
        if self._shown:
            say("", err=True)


def _say_how_it_ended(window: Window, session: Session, begin: str | None, end: str | None,
                      seconds: Fraction) -> None:
    if session.interrupted:
        say(f"preburn: stopped by Ctrl-C after {session.machine.stands()}; the trace ends "
            f"there.", err=True)
        sys.exit(130)
    ran = time_words(float(session.machine.seconds(int(session.machine.m.t))))
    if not window.begun:
        say(f"preburn: --from {begin} did not happen in {ran} of emulated time; "
            f"nothing is written.", err=True)
        sys.exit(1)
    if end is not None and not window.done:
        say(f"preburn: --to {end} did not happen; the trace ends after {ran} of "
            f"emulated time.", err=True)
    if session.failed_step is not None:
        text = session.failed_step.text.decode("latin-1")
        say(f"preburn: {session.failed_step.place}: the text {text!r} did not come; the "
            f"run ended there.", err=True)
