"""``preburn causes``: the catalogue of causes that a verdict may name."""
from __future__ import annotations

from typing import Any

import click

from emu.cli.say import say, say_json


@click.command()
@click.argument("code", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(code: str | None, as_json: bool) -> None:
    """List the causes of hangs that can be named, or explain the one with this CODE."""
    from emu.diagnosis.cause_catalogue import all_causes
    from emu.errors import InputError, nearest

    known = {cause.code: cause for cause in all_causes()}
    if code is not None and code not in known:
        raise InputError(f"there is no cause {code!r}; {nearest(code, known)}")
    chosen = known if code is None else {code: known[code]}
    if as_json:
        say_json({name: page(cause) for name, cause in chosen.items()})
    elif code is None:
        for cause in known.values():
            say(f"{cause.code:24} {', '.join(cause.entries):10} {cause.title}")
    else:
        _explain(page(known[code]))


def page(cause: Any) -> dict[str, Any]:
    """Give a cause's page as plain data."""
    from emu.diagnosis.failure_modes import ENTRIES

    titles = {entry.code: entry.title for entry in ENTRIES}
    return {"title": cause.title, "seen": cause.seen, "evidence": cause.evidence,
            "remedy": cause.remedy, "entries": {e: titles[e] for e in cause.entries}}


def _explain(facts: dict[str, Any]) -> None:
    say(facts["title"])
    for title in ("seen", "evidence", "remedy"):
        say()
        say(f"{title}: {facts[title]}")
    if facts["entries"]:
        covered = "; ".join(f"{code} {title}" for code, title in facts["entries"].items())
        say()
        say(f"in the table of docs/causes.md: {covered}")
