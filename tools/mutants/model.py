"""What a mutant is: a healthy program, one mistake, and what an answer must name."""
from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

DELETE = object()  # a setting that is taken out
SOURCE, LINK, BINARY, BACKPLANE = "source", "link", "binary", "backplane"


@dataclass(frozen=True)
class Edit:
    """Characters [start, end) of a text file, replaced by `new`."""

    file: str
    start: int
    end: int
    new: str


@dataclass(frozen=True)
class Setting:
    """One value of the backplane file: where it stands in the tree, and what it becomes."""

    path: tuple[str, ...]
    value: Any


@dataclass(frozen=True)
class Burn:
    """What the programmer did with the bytes to burn: a way, and its number."""

    way: str
    at: int = 0
    mask: int = 0


@dataclass(frozen=True)
class Mutant:
    """One mistake in one program.

    Exactly one of `edits`, `settings` and `burn` says what was changed; more than one edit stands
    where one mistake shows in two places, such as a push and its pop.  `names` are the decisive
    things: symbols, ports and addresses (0x..), slots, registers, FILE:LINE; `hints` count only
    together with an acceptable cause.
    """

    kernel: str
    operator: str
    key: str
    kind: str
    names: tuple[str, ...]
    codes: tuple[str, ...] = ()
    hints: tuple[str, ...] = ()
    why: str = ""
    edits: tuple[Edit, ...] = ()
    settings: tuple[Setting, ...] = ()
    burn: Burn | None = None

    @property
    def id(self) -> str:
        """What tells this mutant from all others, the same in each run."""
        return f"{self.kernel}/{self.operator}/{self.key}"


Maker = Callable[[Any], Iterable[Mutant]]


@dataclass(frozen=True)
class Operator:
    """A kind of mistake that can be made in any program that gives room for it."""

    name: str
    kind: str
    about: str
    make: Maker


@dataclass
class Registry:
    """The operators of one file, by name; each gives at most `most` mutants a program."""

    kind: str
    most: int
    operators: dict[str, Operator] = field(default_factory=dict)

    def add(self, name: str) -> Callable[[Maker], Maker]:
        """Enter a function that makes one kernel's mutants; its docstring says what it does."""
        def enter(make: Maker) -> Maker:
            if name in self.operators:
                raise ValueError(f"two operators are called {name!r}.")
            about = (make.__doc__ or "").strip().splitlines()[0]
            self.operators[name] = Operator(name, self.kind, about, make)
            return make
        return enter


def apply(text: str, edits: Iterable[Edit]) -> str:
    """Return a text with its edits made; ValueError when two of them overlap."""
    last = len(text)
    for edit in sorted(edits, key=lambda e: e.start, reverse=True):
        if edit.end > last or edit.start > edit.end:
            raise ValueError(f"edits of {edit.file} overlap at character {edit.start}.")
        text = text[:edit.start] + edit.new + text[edit.end:]
        last = edit.start
    return text
