"""``preburn compare``: two machines or images side by side, or one beside a real board."""
from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import click

from emu.cli.booting import asked, booting
from emu.cli.progress import compiling
from emu.cli.running import STOPPED, Display, last_words
from emu.cli.say import say, say_json
from emu.cli.typing_order import Typing
from emu.errors import InputError

if TYPE_CHECKING:
    from fractions import Fraction

    from emu.backplane.description import Description
    from emu.run.script import Step
    from emu.run.session import Session

    Boot = tuple[str | None, Fraction, list[Step], int | None]


class Found(Protocol):
    """What a comparison found."""

    @property
    def same(self) -> bool:
        """Whether nothing that matters differs."""

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""

    def lines(self) -> list[str]:
        """Give it as text."""


class Runner:
    """Runs the sessions that are compared, ``count`` of them, for someone who watches."""

    def __init__(self, count: int) -> None:
        self.display = Display()
        self.stopped = False
        self._left = count

    def run(self, session: Session) -> None:
        """Run a session; the last one is compared so far as it came when Ctrl-C ends it."""
        self.display.run(session)
        self._left -= 1
        if not session.interrupted:
            return
        stopped = f"stopped by Ctrl-C after {session.machine.stands()}"
        if self._left:
            raise KeyboardInterrupt(f"{stopped} of the first run; the second has not begun"
                                    f"{last_words(session)}.")
        self.stopped = True
        say(f"preburn: {stopped}; what has run so far is compared, Ctrl-C again ends at once.",
            err=True)


@click.command(cls=Typing)
@click.argument("left", type=click.Path(path_type=Path))
@click.argument("right", required=False, type=click.Path(path_type=Path))
@booting
@click.option("--seed", type=click.IntRange(min=0),
              help="Power-on noise, instead of the files' seeds.")
@click.option("--on", "on", type=click.Path(path_type=Path), metavar="FILE",
              help="The backplane file for two images.")
@click.option("--capture", "captured", type=click.Path(path_type=Path), metavar="FILE",
              help="A logic analyser's capture of the real board, VCD or CSV.")
@click.option("--columns", default="", metavar="MAP",
              help="Which column of the capture is which line, such as M1=ch8,D0=ch0; what is "
                   "named as on the bus need not be told.")
@click.option("--serial", type=click.Path(path_type=Path), metavar="LOG",
              help="A terminal program's log of the real board.")
@click.option("--channel", help="The channel of --serial; default: the first.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(left: Path, right: Path | None, until: str | None, limit: str,
            sends: tuple[str, ...], afters: tuple[str, ...], script: Path | None,
            seed: int | None, on: Path | None, captured: Path | None, columns: str,
            serial: Path | None, channel: str | None, as_json: bool) -> None:
    """Run LEFT and RIGHT and show the first divergence that matters.

    Each is a backplane file, or an image: RIGHT for the machine of LEFT, or both for that
    of --on.  Code that only lies at another address, loops that go round more often and
    interrupts that come elsewhere are no divergence.  With --capture or --serial the
    other side is the real board.

    Exit status 0: the same; 1: they differ; 2: a mistake in a file or an option.
    """
    if [right, captured, serial].count(None) != 2:
        raise InputError("compare needs one thing beside LEFT: another backplane file or image, "
                         "--capture FILE, or --serial LOG.")
    seconds, steps = asked(limit, sends, afters, script)
    machine = _machine(left, on, left)
    runner = Runner(1 if right is None else 2)
    found: Found
    if captured is not None:
        found = _beside_capture(machine, captured, columns, (until, seconds, steps, seed), runner)
    elif serial is not None:
        found = _beside_log(machine, serial, channel, (until, seconds, steps, seed), runner)
    else:
        from emu.compare.runs import compare

        assert right is not None
        with runner.display.doing("the runs are compared"):
            found = compare(machine, _machine(right, on, left), (str(left), str(right)), until,
                            seconds, steps, seed, compiling(), runner.run)
    if as_json:
        say_json(found.as_dict())
    else:
        for line in found.lines():
            say(line)
    sys.exit(STOPPED if runner.stopped else 0 if found.same else 1)


def _beside_capture(description: Description, path: Path, columns: str, boot: Boot,
                    runner: Runner) -> Found:
    from emu.compare import board, capture
    from emu.compare.simulated import LoggedMachine, simulate
    from emu.run.session import Session

    read = capture.read(path, columns)
    until, seconds, steps, seed = boot
    machine = LoggedMachine(description, seed, compiling())
    simulated = simulate(Session(machine, until, seconds, steps), runner.run)
    with runner.display.doing("the capture is laid beside the run"):
        return board.beside(simulated, read)


def _beside_log(description: Description, path: Path, channel: str | None, boot: Boot,
                runner: Runner) -> Found:
    from emu.compare import seriallog
    from emu.machine.machine import Machine
    from emu.run.session import Session

    seriallog.read(path)  # a mistake in it is told before the run
    until, seconds, steps, seed = boot
    session = Session(Machine(description, seed, compiling()), until, seconds, steps)
    runner.run(session)
    return seriallog.beside(session, path, channel)


def _machine(path: Path, on: Path | None, left: Path) -> Description:
    """Describe a side: a backplane file, or an image on one."""
    from emu.backplane.description import load
    from emu.knowngood.variants import with_image

    if path.suffix == ".toml":
        return load(path)
    plane = on or left
    if plane.suffix != ".toml":
        raise InputError(f"{path}: is taken for an image; name the backplane file that it goes "
                         f"into with --on.")
    return with_image(plane, path)
