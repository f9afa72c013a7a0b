"""A run of bytes with its place in physical memory and its 16-bit address."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Segment:
    """Bytes that a file puts at one address.

    ``physical`` is where they lie in the chip, ``virtual`` the address they were linked
    for; equal in files that know only one address.
    """

    physical: int
    virtual: int
    data: bytes

    @property
    def end(self) -> int:
        """The physical address after the last byte."""
        return self.physical + len(self.data)


def join(pieces: Iterable[tuple[int, bytes]]) -> tuple[Segment, ...]:
    """Sort (address, bytes) pieces that do not overlap and join neighbours."""
    runs: list[tuple[int, bytearray]] = []
    for address, data in sorted(pieces):
        if runs and runs[-1][0] + len(runs[-1][1]) == address:
            runs[-1][1].extend(data)
        elif data:
            runs.append((address, bytearray(data)))
    return tuple(Segment(address, address, bytes(data)) for address, data in runs)
