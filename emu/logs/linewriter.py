"""Write chunks as lines: the texts that compiled code puts together, and the file.

`LineWriter` knows neither format; emu/logs/text.py and emu/logs/jsonlines.py give it theirs.
"""
from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import BinaryIO

import numpy as np

from emu.logs import paper
from emu.logs.codebook import Code
from emu.logs.records import Chunk, Flags
from emu.logs.seen import root_over
from emu.logs.setting import Setting

Words = Sequence[tuple[bytes, int]]
"""The texts of a code, each with its second number, see `Texts`."""


class Texts:
    """Texts by number, in one pool: a row is place, length, and a second number: the length
    without the blanks at the end, or what is told of a code."""

    def __init__(self) -> None:
        self.pool = np.zeros(1 << 12, np.uint8)
        self.rows = np.zeros((1 << 10, 3), np.int64)
        self.count = self._used = 0

    def add(self, text: bytes, second: int | None = None) -> None:
        """Add the text of the next number."""
        if self.count == len(self.rows):
            self.rows = np.concatenate([self.rows, np.zeros_like(self.rows)])
        while self._used + len(text) > len(self.pool):
            self.pool = np.concatenate([self.pool, np.zeros_like(self.pool)])
        self.pool[self._used:self._used + len(text)] = np.frombuffer(text, np.uint8)
        short = len(text.rstrip()) if second is None else second
        self.rows[self.count] = self._used, len(text), short
        self.count += 1
        self._used += len(text)


class LineWriter:
    """Write the wanted records of chunks, or bus cycles, to a binary file.

    ``plain`` is the compiled root that puts lines together; ``fixed`` are the texts before those
    of the codes, ``words`` gives a code's.  Raises CompileError.
    """

    def __init__(self, out: BinaryIO, setting: Setting,
                 plain: Callable[..., int], fixed: Sequence[bytes],
                 words: Callable[[Code], Words]) -> None:
        self._out, self._setting, self._words = out, setting, words
        self._texts = Texts()
        for text in fixed:
            self._texts.add(text)
        self._known = 0
        self._paper = paper.new_paper(setting.hz.numerator, setting.hz.denominator)
        self._put = root_over(plain, [self._paper], "pool", "text", "row", "word", "index",
                              "wanted")

    def write(self, chunk: Chunk, chosen: Flags) -> None:
        """Write the chosen records, or cycles, as the root takes them."""
        if not chosen.any():
            return
        codes = self._setting.book.look_up(chunk)
        for code in codes.table[self._known:]:
            for text, second in self._words(code):
                self._texts.add(text, second)
        self._known = len(codes.table)
        start, page = 0, self._paper[0]["out"]
        while start < len(chunk):
            start = self._put(self._texts.pool, self._texts.rows, chunk.rows, chunk.words,
                              codes.index, chosen.view(np.uint8), start, len(chunk))
            self._out.write(memoryview(page)[:int(self._paper["used"][0])])
