"""``preburn verify``: run again what was recorded, and hold the run against the record."""
from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from emu.cli import wrapping
from emu.cli.options import own_machine
from emu.cli.progress import compiling
from emu.cli.running import Display
from emu.cli.say import say_json
from emu.errors import InputError

if TYPE_CHECKING:
    from emu.backplane.description import Description
    from emu.knowngood.record import Tree


@click.command()
@click.argument("file", required=False, metavar="[FILE]", type=click.Path(path_type=Path))
@click.argument("good", required=False, metavar="GOOD", type=click.Path(path_type=Path))
@click.option("--strict", is_flag=True,
              help="T-state for T-state: everything in the record (the default).")
@click.option("--same-console", is_flag=True, help="Only the text of each terminal.")
@click.option("--same-milestones", is_flag=True, help="Only the milestones and their times.")
@click.option("--tolerance", default="1%", show_default=True,
              help="How far a milestone's time may be off, such as 5% or 20ms.")
@click.option("--good", "good_file", type=click.Path(path_type=Path), metavar="FILE",
              help="The backplane file that was recorded, or its image: on a difference, show "
                   "the first bus cycle that differs.")
@click.option("--other-image", is_flag=True,
              help="Go on although the record is of an image, or a machine, of another name.")
@click.option("--junit", type=click.Path(path_type=Path), help="Write JUnit XML.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(file: Path | None, good: Path | None, strict: bool, same_console: bool,
            same_milestones: bool, tolerance: str, good_file: Path | None, other_image: bool,
            junit: Path | None, as_json: bool) -> None:
    """Run the machine of a backplane FILE as the record GOOD was made, and compare.

    Without FILE it is machine.toml in this folder.

    Exit status 0: the same; 1: it differs; 2: a mistake in a file or an option.
    """
    from emu.backplane.description import load
    from emu.knowngood import junit as junit_file
    from emu.knowngood import recordfile, report
    from emu.knowngood.hold import CONSOLE, MILESTONES, STRICT
    from emu.knowngood.hold import tolerance as read_tolerance

    if good is None:
        file, good = None, file
    if good is None:
        raise InputError("name the record GOOD, which preburn record made.")
    file = own_machine() if file is None else file
    aspects = tuple(name for name, chosen in ((CONSOLE, same_console),
                                              (MILESTONES, same_milestones)) if chosen)
    if strict and aspects:
        raise InputError("--strict compares everything; leave --same-console and "
                         "--same-milestones out, or leave --strict out.")
    allowed = read_tolerance(tolerance)
    if junit is not None:
        junit_file.check(junit)
    tree = recordfile.read(good)
    description = load(file)
    if not other_image:
        _same_name(tree, description, good)
    reference = None if good_file is None else _good_machine(good_file, description, tree, good)
    display = Display()
    with display.doing("the run is held against the record"):
        found = report.verify(description, tree, good, aspects or STRICT, allowed, reference,
                              compiling(), display.run)
    if junit is not None:
        junit_file.write(junit, f"{file} against {good}", found.aspects, "\n".join(found.lines()))
    if as_json:
        say_json(found.as_dict())
    else:
        wrapping.show(found.lines())
    sys.exit(0 if found.same else 1)


def _same_name(tree: Tree, description: Description, good: Path) -> None:
    """Refuse a record of quite another program: no image has the recorded name."""
    from emu.knowngood.record import images_table

    recorded = {Path(image["file"]).stem for image in tree["images"].values()}
    ours = {Path(image["file"]).stem for image in images_table(description).values()}
    if recorded and ours and not recorded & ours:
        raise InputError(f"{good}: is a record of {', '.join(sorted(recorded))} on "
                         f"{tree['machine']['name']!r}, not of {', '.join(sorted(ours))} on "
                         f"{description.name!r}; name its own record, or go on with "
                         f"--other-image.")


def _good_machine(path: Path, description: Description, tree: Tree, good: Path) -> Description:
    """Load the good side: a backplane file, or an image for the backplane at hand."""
    from emu.backplane.description import load
    from emu.knowngood.record import images_table
    from emu.knowngood.variants import with_image

    loaded = load(path) if path.suffix == ".toml" else with_image(description.path, path)
    expected: dict[str, Any] = tree["images"]
    for slot, image in images_table(loaded).items():
        wanted = expected.get(slot, {}).get("sha256")
        if wanted != image["sha256"]:
            raise InputError(f"--good {path}: the image of slot {slot} is not the one that "
                             f"{good} was made of (SHA-256 {image['sha256'][:16]}..., recorded "
                             f"{str(wanted)[:16]}...); name the good one.")
    return loaded
