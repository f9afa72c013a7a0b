"""One line of a preflight page."""
from __future__ import annotations

from dataclasses import asdict, dataclass

GO, NOTE, NO_GO = "go", "note", "no-go"


@dataclass(frozen=True)
class Item:
    """What was looked at, how it stands, and the numbers or reasons in words."""

    level: str  # GO, NOTE or NO_GO
    title: str
    text: str

    def as_dict(self) -> dict[str, str]:
        """Give it as JSON takes it."""
        return asdict(self)
