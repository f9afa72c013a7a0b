"""``preburn demo``: the demo system in a folder, to boot, to break and to build."""
from __future__ import annotations

from pathlib import Path

import click

from emu.cli.say import say
from emu.errors import InputError


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
def command(folder: Path) -> None:
    """Lay the demo system Tidewater out in a new FOLDER: sources, ROM, machines, scripts."""
    from emu.starting.demo import lay_out

    if folder == Path():
        raise InputError("name the folder to lay the demo out in.")
    made = lay_out(folder)
    say(f"{folder}: Tidewater, a harbour tide-gauge logger, in {len(made)} files; "
        f"{folder / 'README.md'} tells what they are. It boots, and where its timer is "
        f"missing it hangs:")
    say(f"  preburn boot {folder / 'full.toml'} --until 'tw> '")
    say(f"  preburn boot {folder / 'no-timer.toml'} --send 'sleep 1\\r' --limit 10")
