"""``preburn compare``: two machines or images side by side, or one beside a real board."""
from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.booting import asked, booting
from emu.cli.progress import compiling
from emu.cli.typing_order import Typing
from emu.errors import InputError

if TYPE_CHECKING:
    from emu.description import Description


@click.command(cls=Typing)
@click.argument("left", type=click.Path(path_type=Path))
@click.argument("right", required=False, type=click.Path(path_type=Path))
@booting
@click.option("--seed", type=click.IntRange(min=0),
              help="Power-on noise, instead of the files' seeds.")
@click.option("--on", "on", type=click.Path(path_type=Path), metavar="FILE",
              help="The backplane file for two images.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(left: Path, right: Path | None, until: str | None, limit: str,
            sends: tuple[str, ...], afters: tuple[str, ...], script: Path | None,
            seed: int | None, on: Path | None, as_json: bool) -> None:
    """Run LEFT and RIGHT and show the first divergence that matters.

    Each is a backplane file, or an image: RIGHT for the machine of LEFT, or both for that
    of --on.  Code that only lies at another address, loops that go round more often and
    interrupts that come elsewhere are no divergence.

    Exit status 0: the same; 1: they differ; 2: a mistake in a file or an option.
    """
    from emu.compare.runs import compare

    if right is None:
        raise InputError("compare needs something beside LEFT: another backplane file or image.")
    seconds, steps = asked(limit, sends, afters, script)
    machines = [_machine(path, on, left) for path in (left, right)]
    found = compare(machines[0], machines[1], (str(left), str(right)), until, seconds, steps,
                    seed, compiling())
    if as_json:
        click.echo(json.dumps(found.as_dict(), indent=2))
    else:
        for line in found.lines():
            click.echo(line)
    sys.exit(0 if found.same else 1)


def _machine(path: Path, on: Path | None, left: Path) -> Description:
    """Describe a side: a backplane file, or an image on one."""
    from emu.description import load
    from emu.knowngood.variants import with_image

    if path.suffix == ".toml":
        return load(path)
    plane = on or left
    if plane.suffix != ".toml":
        raise InputError(f"{path}: is taken for an image; name the backplane file that it goes "
                         f"into with --on.")
    return with_image(plane, path)
