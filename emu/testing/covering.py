"""Coverage of the images of all machines that a session of tests has run."""
from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import astuple
from pathlib import Path

from emu.machine.machine import Machine
from emu.usage import lcov
from emu.usage.coverage import Count, Coverage, coverage, sources, table
from emu.usage.used import UsedMachine


class Covering:
    """The counts of several machines, by the digest of their images."""

    def __init__(self) -> None:
        self._found: dict[str, Coverage] = {}
        self._where: dict[str, Path] = {}

    def add(self, machine: Machine) -> None:
        """Add what has run on a machine, if it has counted."""
        if isinstance(machine, UsedMachine):
            self._add(coverage(machine), sources(machine))

    def _add(self, found: Coverage, where: dict[str, Path]) -> None:
        """Add counts; of two images the sources with the same name are two files by path."""
        named = Coverage(found.images, {str(where.get(name, name)): counts
                                        for name, counts in found.files.items()}, found.unlined)
        self._where.update({str(path): path for path in where.values()})
        if named.images in self._found:
            self._found[named.images].add(named)
        else:
            self._found[named.images] = named

    def handed_on(self) -> str:
        """Give everything as text, for `take` in another process."""
        return json.dumps([
            [one.images, one.unlined, [[name, [[key, astuple(count)] for key, count in
                                               counts.items()]]
                                       for name, counts in one.files.items()]]
            for one in self._found.values()])

    def take(self, text: str) -> None:
        """Add what another process has handed on."""
        for images, unlined, files in json.loads(text or "[]"):
            self._add(Coverage(images, {
                name: {(key[0], key[1], key[2]): Count(*count) for key, count in counts}
                for name, counts in files}, unlined), {name: Path(name) for name, _ in files})

    def write(self, out: Path) -> list[str]:
        """Write the file; give the tables as text.  InputError when it cannot be written."""
        lines: list[str] = []
        for found in self._found.values():
            lines += table(self._short(found))
        lcov.write(out, list(self._found.values()), self._where)
        return [*lines, str(out)] if lines else ["no machine has run", str(out)]

    def _short(self, found: Coverage) -> Coverage:
        """Name files from the folder one stands in, where they lie below it."""
        return Coverage(found.images, dict(self._relative(found)), found.unlined)

    def _relative(self, found: Coverage) -> Iterator[tuple[str, dict[tuple[int, int, int], Count]]]:
        here = Path.cwd()
        for name, counts in found.files.items():
            path = Path(name)
            yield str(path.relative_to(here)) if path.is_relative_to(here) else name, counts
