"""One hostile input, and a family of them."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

FOLDER = "folder"
PIPE = "pipe"


@dataclass(frozen=True)
class Link:
    """A symbolic link that stands where a file belongs."""

    to: str


Content = bytes | str | Link  # a file's bytes, FOLDER, PIPE, or a link


@dataclass(frozen=True)
class Case:
    """Files in a folder of their own, and what is done there.

    ``words``: the arguments of a command line, or lines for the family's own actor;
    ``stream``: standard input, or what comes over a line; ``writes``: the names that may be made
    or changed (a folder's name with a slash behind it: whatever is in it but ``keeps``).
    """

    files: Mapping[str, Content]
    words: tuple[str, ...] = ()
    stream: bytes = b""
    writes: tuple[str, ...] = ()
    keeps: tuple[str, ...] = ()


@dataclass(frozen=True)
class Told:
    """What came of a case: exit status, standard output, standard error."""

    status: int
    out: str = ""
    err: str = ""


@dataclass(frozen=True)
class Family:
    """Cases of one kind; ``act`` is None for command lines of preburn."""

    name: str
    what: str  # what is varied, for the table
    make: Callable[[random.Random], Case]
    act: Callable[[Case], Told] | None = None
    plain_output: bool = True  # standard output must be free of control characters
    seconds: int = 20  # of processor time that one of them may take
    words_shrink: bool = False  # the words are lines that can be left out
    batch: int = 100  # cases that one process does

    def case(self, seed: int, number: int) -> Case:
        """Make the case of a number: the same on every machine."""
        return self.make(random.Random(f"{seed} {self.name} {number}"))


@dataclass
class Result:
    """What a case did: ``kind`` and ``mark`` of what went wrong, or "" for nothing."""

    accepted: bool
    kind: str = ""
    mark: str = ""  # tells one finding from another
    told: str = ""
    seconds: float = 0.0
    peak: int = 0  # KiB of the process so far
    notes: dict[str, int] = field(default_factory=dict)
