"""All mutants of the programs, in a fixed order, or a sample of them."""
from __future__ import annotations

import dataclasses
import random
from collections import Counter
from collections.abc import Iterable

from mutants import (
    assembly,
    assembly_data,
    burning,
    csource,
    electrical,
    fitted,
    linking,
    sites,
    wiring,
)
from mutants.backplane_file import changed
from mutants.kernel import Kernel
from mutants.model import Mutant, Operator
from mutants.places import spread

REGISTRIES = (assembly.REGISTRY, assembly_data.REGISTRY, csource.REGISTRY, linking.REGISTRY,
              burning.REGISTRY, wiring.REGISTRY, fitted.REGISTRY, electrical.REGISTRY)


def operators() -> list[Operator]:
    """Give every generic operator."""
    return [operator for registry in REGISTRIES for operator in registry.operators.values()]


def mutants_of(kernel: Kernel) -> list[Mutant]:
    """Make all mutants of one program; each has a name of its own and changes something."""
    found = [mutant for registry in REGISTRIES for operator in registry.operators.values()
             for mutant in spread(operator.make(kernel), registry.most)]
    found += sites.mutants(kernel)
    out, seen, times = [], set(), Counter[str]()
    for mutant in found:
        change = (mutant.edits, repr(mutant.settings), mutant.burn)
        if change in seen or not _changes(kernel, mutant):
            continue  # two operators that make the same change are one mutant
        seen.add(change)
        times[mutant.id] += 1
        number = times[mutant.id]
        out.append(mutant if number == 1 else
                   dataclasses.replace(mutant, key=f"{mutant.key}-{number}"))
    return out


def _changes(kernel: Kernel, mutant: Mutant) -> bool:
    """Tell whether a mutant differs from its program; a jumper may stand there already."""
    return (not mutant.settings or changed(kernel.tree, mutant.settings) != kernel.tree) and all(
        (kernel.folder / edit.file).read_text()[edit.start:edit.end] != edit.new
        for edit in mutant.edits)


def corpus(programs: Iterable[Kernel]) -> dict[str, tuple[Kernel, Mutant]]:
    """Give the mutants of several programs, by their ids, sorted."""
    made = {mutant.id: (kernel, mutant) for kernel in programs for mutant in mutants_of(kernel)}
    return dict(sorted(made.items()))


def sample(ids: Iterable[str], number: int, seed: int) -> list[str]:
    """Choose some ids, the same ones for the same seed."""
    known = sorted(ids)
    return sorted(random.Random(seed).sample(known, min(number, len(known))))
