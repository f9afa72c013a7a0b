"""Which causes answer a mistake: read from labels.toml, by operator, by card, or by words."""
from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from mutants.kernel import CorpusError, Kernel
from mutants.model import Mutant

TABLE = Path(__file__).with_name("labels.toml")


@cache
def table() -> dict[str, Any]:
    """Read the labels."""
    return tomllib.loads(TABLE.read_text())


def expand(words: Iterable[str]) -> tuple[str, ...]:
    """Put the codes of a group in the place of its word."""
    out: list[str] = []
    for word in words:
        out += table()["group"][word[1:]] if word.startswith("@") else [word]
    return tuple(dict.fromkeys(out))


def of_card(kernel: Kernel, slot: str, how: str) -> tuple[str, ...]:
    """Give what answers when a slot's card is ``absent`` or its ``set-up`` is wrong."""
    cards = table()["card"]
    return expand(cards.get(kernel.slots[slot]["card"], cards["other"])[how])


def of_operator(name: str) -> tuple[str, ...]:
    """Give the codes of a generic operator, or of the words in the name of a site's kind."""
    if name in table()["operator"]:
        return expand(table()["operator"][name])
    rows = [row["codes"] for row in table()["kind"] if re.search(row["words"], name)]
    return expand(code for codes in rows for code in codes)


def codes(mutant: Mutant) -> tuple[str, ...]:
    """Give every cause that answers a mutant; CorpusError when nothing does."""
    found = mutant.codes or of_operator(mutant.operator)
    if not found:
        raise CorpusError(f"{mutant.id}: no row of tools/mutants/labels.toml says which cause "
                          f"answers {mutant.operator!r}; add one.")
    return found
