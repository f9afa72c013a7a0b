"""The public face of the card contract; what a card is stands in emu/card/contract.py.

A card, built in or of one's own, imports what it declares itself with from here.
"""
from emu.card.contract import ENTRIES, Card, Jumper, Setup, Trouble, entry
from emu.card.margins import Margin
from emu.card.rate_ways import (
    BAUD,
    IN_STEP,
    OUTPUT,
    TICK,
    Ask,
    Way,
    Write,
    divided,
    hertz_words,
    near,
)

__all__ = [
    "BAUD", "ENTRIES", "IN_STEP", "OUTPUT", "TICK", "Ask", "Card", "Jumper", "Margin", "Setup",
    "Trouble", "Way", "Write", "divided", "entry", "hertz_words", "near",
]
