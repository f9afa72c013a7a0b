"""The fixed parts of a track in MFM and FM, in bytes.

From the sources that emu/media/track.py names.
"""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Layout:
    """The fixed parts of a track, in bytes."""

    gap_byte: int
    gap4a: int  # before the index mark
    gap1: int  # behind it
    gap2: int  # between ID and data
    sync: int  # zeros before each mark
    mark: int  # bytes of a mark: with its leading A1 bytes

    @property
    def head(self) -> int:
        """Bytes before the first sector's sync."""
        return self.gap4a + self.sync + self.mark + self.gap1

    @property
    def overhead(self) -> int:
        """Bytes of a sector beside its data and gap 3."""
        return 2 * (self.sync + self.mark) + 4 + 2 + self.gap2 + 2


MFM = Layout(0x4E, 80, 50, 22, 12, 4)
FM = Layout(0xFF, 40, 26, 11, 6, 1)
LAYOUTS: Mapping[str, Layout] = {"mfm": MFM, "fm": FM}
OVERHEAD = {name: layout.overhead for name, layout in LAYOUTS.items()}
