"""One thing that the check before power-on finds."""
from __future__ import annotations

from dataclasses import asdict, dataclass

ERROR, WARNING, NOTE = "error", "warning", "note"


@dataclass(frozen=True)
class Finding:
    """What is wrong and what to do; ``level`` is ERROR, WARNING or NOTE, ``slot`` and ``jumper``
    tell where, empty when it is nowhere in particular."""

    level: str
    code: str
    slot: str
    jumper: str
    text: str
    remedy: str

    def as_dict(self) -> dict[str, str]:
        """Give it as JSON takes it."""
        return asdict(self)
