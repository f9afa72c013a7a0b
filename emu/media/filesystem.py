"""What the file systems of floppies have in common."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True)
class Entry:
    """A file as a directory lists it; ``when`` is its date in words, or empty."""

    name: str
    length: int
    first: int  # its first block
    when: str = ""
    folder: bool = False


class FileSystem(Protocol):
    """Files on a sector image; nothing is written to the user's file here."""

    @property
    def kind(self) -> str:
        """fat12 or tidewater."""

    @property
    def label(self) -> str:
        """The volume's name, or empty."""

    def entries(self) -> list[Entry]:
        """List the files in the order of the directory."""

    def read(self, name: str) -> bytes:
        """Give a file's bytes; InputError when there is none of that name, or it is damaged."""

    def write(self, name: str, data: bytes, seconds: int = 0) -> None:
        """Add a file, dated in seconds since 1970 UTC (0: undated)."""

    def remove(self, name: str) -> None:
        """Take a file out of the directory and free its room."""

    def blocks_of(self, name: str) -> list[int]:
        """List the blocks of a file in order."""

    def free(self) -> int:
        """Give the free bytes."""

    def bad_blocks(self) -> list[int]:
        """List the blocks that are marked as bad and kept out of use."""

    def problems(self) -> list[str]:
        """Say what is wrong with the file system, a line each."""
