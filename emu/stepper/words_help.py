"""Help: all words on one page, one word, or a topic."""
from __future__ import annotations

import textwrap

from emu.stepper import expression, watch
from emu.stepper.word_reader import WORDS, WordReader, whole_word, word

GROUPS = (
    ("look", ("look", "tell", "explain")),
    ("run", ("go", "into", "over", "out", "line", "until", "cycle", "tick")),
    ("stop", ("stop-at", "watch", "forget", "sleep", "wake")),
    ("go back", ("back", "who", "when", "undo")),
    ("change", ("set", "press", "input", "insert", "eject", "do")),
    ("else", ("symbols", "help", "leave")),
)
WIDTH = 24


def _page() -> list[str]:
    """Give all words, 80 columns wide."""
    out = []
    for title, names in GROUPS:
        out.append(f"{title}:")
        for name in names:
            _, how, text = WORDS[name]
            first, *more = textwrap.wrap(text, 78 - WIDTH - 5)
            out.append(f"  {how:<{WIDTH}} {first}")
            out += [f"  {'':<{WIDTH}} {line}" for line in more]
    out.append("A word may be cut short as long as one word alone begins so.")
    return [*out, "Places: a symbol, symbol+4, file.s:12, 8000h, 0x8000, or an expression.",
            "More: help stops, help expressions, help WORD."]


@word("help [WORD]", "this page; help stops, help expressions")
def help_on(reader: WordReader, text: str) -> list[str]:
    """Help."""
    if not text:
        return _page()
    if text in ("stops", "expressions"):
        module = watch if text == "stops" else expression
        return (module.__doc__ or "").replace("``", "").strip().splitlines()
    _, how, words = WORDS[whole_word(text)]
    return [how, f"  {words}"]
