"""``preburn cards``: the cards and their jumpers, from their own declarations."""
from __future__ import annotations

import json

import click

from emu.cli.say import say, say_json

INTERRUPTS = {"none": "none", "plain": "pulls /INT, gives no vector",
              "chained": "gives a vector (mode 2); stands in backplane.chain"}
WHILE_IT_RUNS = {"live": "jumpers that may change while it runs",
                 "actions": "what a hand can do while it runs"}


def _toml(value: object) -> str:
    """Write a default as the backplane file has it."""
    if value is None:
        return "none"
    return json.dumps(value) if isinstance(value, bool | list) or value == "" else str(value)


@click.command()
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(name: str | None, as_json: bool) -> None:
    """List the cards, or one card NAME with its jumpers, registers and lines.

    NAME may also be a card file's path.
    """
    from emu.backplane.declarations import declarations
    from emu.backplane.installed_cards import installed

    known = declarations(name)
    others = []
    if name is None:
        others = [f"{point.name:16} installed, {point.value}" for point in installed().values()
                  if point.name not in known]
    if as_json:
        say_json(known)
        return
    for card in known.values():
        say(f"{card['name']:16} {card['summary']}")
        if name is None:
            jumpers = ", ".join(j["name"] for j in card["jumpers"])
            say(f"{'':16} jumpers: {jumpers or 'none'}")
            continue
        say(f"source: {card['source']}")
        if card["order"]:
            say(f"ports: {len(card['order'])} from base on: {', '.join(card['order'])}")
        say(f"interrupts: {INTERRUPTS[card['interrupt']]}")
        for title in ("registers", "inputs", "outputs"):
            if card[title] and (title, card[title]) != ("registers", card["order"]):
                say(f"{title}: {', '.join(card[title])}")
        for title in ("live", "actions"):
            if card[title]:
                say(f"{WHILE_IT_RUNS[title]}: {', '.join(card[title])}")
        for jumper in card["jumpers"]:
            values = f" ({', '.join(map(str, jumper['choices']))})" if jumper["choices"] else (
                f" ({jumper['low']} to {jumper['high']})" if jumper["kind"] == "int" else "")
            say(f"  {jumper['name']:14} {jumper['kind']}{values}, default "
                f"{_toml(jumper['default'])}: {jumper['help']}")
        for cause in card["causes"]:
            say(f"cause {cause['code']}: {cause['title']}")
    for line in others:
        say(line)
