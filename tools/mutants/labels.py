"""Which causes answer a mistake: from labels.toml, by operator, card, or a site's words."""
from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from mutants.kernel import Kernel
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
    """Give the codes of a generic operator."""
    return expand(table()["operator"].get(name, ()))


def of_words(name: str) -> tuple[str, ...]:
    """Give the codes of a site, by the words in the name of its kind."""
    rows = [row["codes"] for row in table()["kind"] if re.search(row["words"], name)]
    return expand(code for codes in rows or [table()["group"]["any"]] for code in codes)


def codes(mutant: Mutant) -> tuple[str, ...]:
    """Give every cause that answers a mutant; a site takes what fits its words, too."""
    found = mutant.codes or of_operator(mutant.operator)
    if mutant.key.startswith("site"):
        found += of_words(mutant.operator)
    return tuple(dict.fromkeys(found))
