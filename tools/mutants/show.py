"""Show one mutant of the open half: what was changed, its label, and a folder to boot it in."""
from __future__ import annotations

import shlex
from pathlib import Path

from mutants import build, labels
from mutants.boots import keys
from mutants.kernel import CorpusError, Kernel
from mutants.model import Mutant


def show(kernel: Kernel, mutant: Mutant, folder: Path) -> list[str]:
    """Make a mutant in a folder and return lines about it; CorpusError for a closed program."""
    if kernel.half != "open":
        raise CorpusError(f"{mutant.id} is closed: it is measured and not looked into "
                          f"(DEVELOPERS.md says why).")
    folder.mkdir(parents=True)
    try:
        made = build.make(kernel, mutant, folder)
    except build.Unbuildable as error:
        raise CorpusError(f"{mutant.id} cannot be built: {error}") from None
    options = shlex.join(["--limit", str(kernel.limit), *keys(kernel.about, kernel.folder)])
    return [mutant.id, f"why: {mutant.why}", *_changes(kernel, mutant),
            f"causes: {', '.join(labels.codes(mutant))}", f"names: {', '.join(mutant.names)}",
            f"hints: {', '.join(mutant.hints) or '-'}",
            *(f"preburn boot {path} {options}" for path in made.files.values())]


def _changes(kernel: Kernel, mutant: Mutant) -> list[str]:
    out = []
    for edit in mutant.edits:
        text = (kernel.folder / edit.file).read_text()
        line = text.count("\n", 0, edit.start) + 1
        out.append(f"{edit.file}:{line}: {text[edit.start:edit.end]!r} -> {edit.new!r}")
    out += [f"machine.toml: {'.'.join(s.path)} = {s.value!r}" for s in mutant.settings]
    return out + ([f"burned: {mutant.burn}"] if mutant.burn else [])
