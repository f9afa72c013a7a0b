"""What a terminal has shown, and when, in bounded memory.

Places are counted from the first character, whatever is still kept.  Of a very long text the
beginning and the end are kept; which ones hangs on its length alone, not on how it came.
"""
from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator
from typing import Any, Self

HEAD, TAIL, BLOCK = 1 << 20, 4 << 20, 1 << 20  # characters: kept in front, behind, left out at once


class Kept:
    """A row of values of which the middle is left out when it gets long."""

    def __init__(self, empty: Any) -> None:
        self._head, self._tail = empty[:], empty[:]  # the head stays empty until some are left out
        self.left_out = 0

    def __len__(self) -> int:
        return len(self._head) + self.left_out + len(self._tail)

    def __iter__(self) -> Iterator[int]:
        """Go through the values that are kept."""
        yield from self._head
        yield from self._tail

    def __iadd__(self, more: Iterable[int]) -> Self:
        self._tail.extend(more)
        surplus = len(self) - HEAD - TAIL - self.left_out
        if surplus > 0:
            if not self.left_out:
                self._head, self._tail = self._tail[:HEAD], self._tail[HEAD:]
            count = -(-surplus // BLOCK) * BLOCK
            del self._tail[:count]
            self.left_out += count
        return self

    def cut(self, length: int) -> None:
        """Forget all values from a place on."""
        length = max(length, 0)
        place = length - len(self._head) - self.left_out
        if place >= 0:
            del self._tail[place:]
            return
        del self._tail[:]
        self.left_out = max(length - len(self._head), 0)
        if not self.left_out:
            self._tail, self._head = self._head[:length], self._tail

    def __getitem__(self, place: int | slice) -> Any:
        """Give the value at a place, or those of a stretch that are kept; IndexError when the one
        asked for is not."""
        if isinstance(place, slice):
            start, end, _ = place.indices(len(self))
            gap = len(self._head) + self.left_out
            return self._head[start:end] + self._tail[max(start - gap, 0):max(end - gap, 0)]
        at = place if place >= 0 else place + len(self)
        if 0 <= at < len(self._head):
            return self._head[at]
        at -= len(self._head) + self.left_out
        if at < 0:
            raise IndexError(place)
        return self._tail[at]

    def __eq__(self, other: object) -> bool:
        """Compare what is kept with any row of values."""
        return isinstance(other, Iterable) and list(self) == list(other)

    __hash__ = None  # type: ignore[assignment]


class Text(Kept):
    """The characters."""

    def __init__(self, text: bytes = b"") -> None:
        super().__init__(bytearray())
        self += text

    def __bytes__(self) -> bytes:
        return bytes(self._head + self._tail)

    def find(self, wanted: bytes, start: int = 0) -> int:
        """Give the first place of a text at or behind a place, -1 when there is none."""
        gap = len(self._head) + self.left_out
        at = self._head.find(wanted, start)
        if at >= 0:
            return int(at)
        at = self._tail.find(wanted, max(start - gap, 0))
        return at + gap if at >= 0 else -1

    def rfind(self, wanted: bytes, end: int) -> int:
        """Give the last place of a text that ends at or before a place, -1 when there is none."""
        gap = len(self._head) + self.left_out
        at = self._tail.rfind(wanted, 0, max(end - gap, 0))
        return at + gap if at >= 0 else int(self._head.rfind(wanted, 0, end))

    def __contains__(self, wanted: bytes) -> bool:
        return self.find(wanted) >= 0

    def endswith(self, wanted: bytes) -> bool:
        """Tell whether it ends so."""
        return bool(self._tail.endswith(wanted))

    def decode(self, _: str = "latin-1") -> str:
        """Give it as a text, and how many characters of it were not kept."""
        if not self.left_out:
            return bytes(self).decode("latin-1")
        gap = f"\n[{self.left_out} characters are not kept]\n"
        return f'{self._head.decode("latin-1")}{gap}{self._tail.decode("latin-1")}'


class Times(Kept):
    """The T-state of each character's end."""

    def __init__(self, times: Iterable[int] = ()) -> None:
        super().__init__(array("q"))
        self += times
