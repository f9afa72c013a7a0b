"""What has been done so far: a file that a later run goes on from."""

from __future__ import annotations

import base64
import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from fuzzing.case import Case, Link, Result

VERSION = 1


@dataclass
class Finding:
    """One thing that cases broke: the first that did, made small."""

    kind: str
    mark: str
    first: int  # number of the case
    told: str
    count: int = 1
    case: dict[str, Any] = field(default_factory=dict)
    mended: bool = False  # the small case does nothing any more


@dataclass
class Figures:
    """What came of a family's cases."""

    next: int = 0
    accepted: int = 0
    refused: int = 0
    seconds: float = 0.0
    slowest: float = 0.0
    slowest_case: int = -1
    peak: int = 0  # MiB
    not_alone: int = 0  # broke something only behind others in one process
    found: list[Finding] = field(default_factory=list)

    def add(self, number: int, result: Result) -> None:
        """Count a case."""
        self.next = number + 1
        self.accepted += result.accepted
        self.refused += not result.accepted
        self.seconds = round(self.seconds + result.seconds, 3)
        self.peak = max(self.peak, result.peak >> 10)
        if result.seconds > self.slowest:
            self.slowest, self.slowest_case = round(result.seconds, 2), number

    def finding(self, result: Result) -> Finding | None:
        """Give the finding that a result is one more of, if there is one."""
        return next(
            (
                one
                for one in self.found
                if not one.mended and (one.kind, one.mark) == (result.kind, result.mark)
            ),
            None,
        )


@dataclass
class Ledger:
    """All families' figures, and the seed that made their cases."""

    seed: int
    families: dict[str, Figures] = field(default_factory=dict)

    def of(self, name: str) -> Figures:
        """Give a family's figures."""
        return self.families.setdefault(name, Figures())

    def save(self, path: Path) -> None:
        """Write it, whole or not at all."""
        draft = path.with_suffix(f".{os.getpid()}")
        draft.write_text(json.dumps({"version": VERSION, **asdict(self)}, indent=1) + "\n")
        os.replace(draft, path)


def read(path: Path) -> Ledger:
    """Read a ledger; ValueError when it is none."""
    tree = json.loads(path.read_text())
    if tree.get("version") != VERSION:
        raise ValueError(f"{path}: is no ledger of version {VERSION}")
    families = {}
    for name, one in tree["families"].items():
        found = [Finding(**each) for each in one.pop("found")]
        families[name] = Figures(**one, found=found)
    return Ledger(tree["seed"], families)


def packed(case: Case) -> dict[str, Any]:
    """Put a case into plain data."""
    files: dict[str, Any] = {}
    for name, content in case.files.items():
        if isinstance(content, bytes):
            files[name] = {"bytes": base64.b64encode(content).decode()}
        else:
            files[name] = {"link": content.to} if isinstance(content, Link) else content
    return {
        "files": files,
        "words": list(case.words),
        "writes": list(case.writes),
        "keeps": list(case.keeps),
        "stream": base64.b64encode(case.stream).decode(),
    }


def unpacked(tree: dict[str, Any]) -> Case:
    """Make a case of plain data."""
    files = {}
    for name, content in tree["files"].items():
        if isinstance(content, str):
            files[name] = content
        else:
            files[name] = (
                Link(content["link"]) if "link" in content else base64.b64decode(content["bytes"])
            )
    return Case(
        files,
        tuple(tree["words"]),
        base64.b64decode(tree["stream"]),
        tuple(tree["writes"]),
        tuple(tree["keeps"]),
    )
