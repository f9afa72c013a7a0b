"""The public face of the card contract; what a card is stands in emu/card/contract.py.

A card, built in or of one's own, imports what it declares itself with from here; the kinds of
registers, ticks, requests, windows and complaints stand in emu/card/roles.py.
"""
from emu.card import roles
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.card.contract import (
    ENTRIES,
    READ_SIDE,
    WRITE_SIDE,
    Card,
    Jumper,
    Setup,
    Trouble,
    entry,
)
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
from emu.card.roles import (
    Complaint,
    FlashChip,
    Hand,
    MemoryArea,
    PageRange,
    PageWindow,
    Request,
    Tick,
)

__all__ = [
    "BAUD", "BUSY", "ENTRIES", "HALTED_OFF", "IN_STEP", "OUTPUT", "READ_SIDE", "STUCK", "TICK",
    "WAITS", "WILD", "WRITE_SIDE",
    "Ask", "Card", "Cause", "Complaint", "FlashChip", "Hand", "Jumper", "Margin", "MemoryArea",
    "PageRange", "PageWindow", "Request", "Setup", "Tick", "Trouble", "Way", "Write", "divided",
    "entry", "hertz_words", "near", "roles",
]
