"""The text of source lines: where a source file is looked for, by one rule.

In this order: the folder where the compiler or assembler ran, as the debug data tells it, or
that of the list the names came from; beside the image; the current folder; the folders of
``sources`` in the backplane file.  In all but the first the bare file name will do.
"""
from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from emu.backplane.description import Description
from emu.files.symbols import SourceLine

LIMIT = 1 << 20  # bytes of a source file


class SourceFiles:
    """The source files of a machine's images, each read once."""

    def __init__(self, description: Description) -> None:
        images = [image for slot in description.slots for image in slot.images.values()]
        self._told = [Path(folder) for image in images for folder in image.symbols.folders]
        self._others = list(dict.fromkeys([
            *(image.path.parent for image in images), Path(),
            *(folder for slot in description.slots for folder in slot.sources)]))
        self._paths: dict[str, Path | None] = {}
        self._texts: dict[str, list[str]] = {}

    def _places(self, file: str) -> Iterator[Path]:
        for folder in self._told:
            yield folder / file
        for folder in self._others:
            yield folder / file
            yield folder / Path(file).name

    def path(self, file: str) -> Path | None:
        """Find a source file that the debug data names; None when it is nowhere."""
        if file not in self._paths:
            self._paths[file] = next(filter(_readable, self._places(file)), None)
        return self._paths[file]

    def name(self, path: str, files: set[str]) -> str:
        """Give that of the ``files`` of the debug data which stands at a path, else its name."""
        bare = Path(path).name
        for file in sorted(files):
            found = self.path(file) if Path(file).name == bare else None
            if found is not None and _same(found, Path(path)):
                return file
        return bare

    def lines(self, file: str) -> list[str]:
        """Give the lines of a source file, none when it is nowhere."""
        if file not in self._texts:
            path = self.path(file)
            try:
                text = path.read_text("utf-8", "replace") if path is not None else ""
            except OSError:
                text = ""
            self._texts[file] = text.splitlines()
        return self._texts[file]

    def text(self, line: SourceLine | None) -> str:
        """Give the text of a source line, its blanks made single, "" when there is none."""
        if line is None:
            return ""
        lines = self.lines(line.file)
        return " ".join(lines[line.line - 1].split()) if 0 < line.line <= len(lines) else ""

    def named(self, line: str) -> str:
        """Give the text of "file:line"."""
        file, _, number = line.rpartition(":")
        return self.text(SourceLine(file, int(number))) if number.isdigit() else ""


def _readable(path: Path) -> bool:
    try:
        return path.is_file() and path.stat().st_size <= LIMIT
    except (OSError, ValueError):
        return False


def _same(a: Path, b: Path) -> bool:
    try:
        return a.samefile(b)
    except (OSError, ValueError):
        return False
