"""``preburn check``: the wiring check, without a run."""
from __future__ import annotations

import sys
from pathlib import Path

import click

from emu.cli.options import backplane_file
from emu.cli.say import say, say_json


@click.command()
@backplane_file
@click.option("--against", type=click.Path(path_type=Path),
              help="Another backplane file: list what differs.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(file: Path, against: Path | None, as_json: bool) -> None:
    """Check the wiring of a backplane FILE before power-on.

    Exit status 1 when there is an error, 2 for a mistake in the file.
    """
    from emu.backplane.description import load
    from emu.backplane.differences import differences
    from emu.backplane.wiring_check import check

    description = load(file, unbuilt=True)
    found = check(description)
    differing = differences(description, load(against, unbuilt=True)) if against else []
    if as_json:
        say_json({"findings": [f.as_dict() for f in found],
                  "differences": differing})
    else:
        for finding in found:
            say(f"{finding.level}: {finding.code}: {finding.text}")
            say(f"    {finding.remedy}")
        for line in differing:
            say(f"differs: {line}")
        if against and not differing:
            say(f"{against}: the same machine as {file}.")
        if not found:
            say(f"{file}: nothing to object to.")
    sys.exit(1 if any(f.level == "error" for f in found) else 0)
