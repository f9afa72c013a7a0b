"""Cards of installed packages: their entry points, of which nothing is run here."""
from __future__ import annotations

from importlib.metadata import EntryPoint, entry_points

GROUP = "preburn.cards"


def installed() -> dict[str, EntryPoint]:
    """Give the entry points of installed packages' cards by name; nothing of them is run."""
    return {point.name: point for point in entry_points(group=GROUP)}
