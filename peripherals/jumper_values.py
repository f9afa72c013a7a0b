"""What several cards note of a jumper at power-on: a partner's text, a medium's bad sectors."""
from __future__ import annotations

from typing import Any

from emu.errors import InputError
from peripherals.card import Setup


def partner_text(setup: Setup, partner: Any, jumper: str) -> None:
    """Note what a partner has to give, in its ``text`` and ``texts``; InputError when it is too
    long, or not of one byte a character."""
    room = len(partner.text)
    try:
        text = setup.settings[jumper].encode("latin-1")
    except UnicodeEncodeError:
        text = bytes(room + 1)
    if len(text) > room:
        raise InputError(f"slot.{setup.name}: {jumper} takes up to {room} characters of one byte, "
                         f"not {setup.settings[jumper]!r}.")
    partner.texts = len(text)
    partner.text[:len(text)] = list(text)


def bad_sectors(setup: Setup, s: Any, below: int) -> None:
    """Note the sectors that cannot be read, in the ``bad`` and ``bads`` of a drive's state;
    InputError when they are too many, or one is not from 0 to ``below`` - 1."""
    bad = setup.settings["bad-sectors"]
    room = len(s.bad)
    if len(bad) > room or not all(type(n) is int and 0 <= n < below for n in bad):
        raise InputError(f"slot.{setup.name}: bad-sectors takes up to {room} sector numbers from "
                         f"0 on, not {list(bad)!r}.")
    s.bads = len(bad)
    s.bad[:len(bad)] = bad
