"""Pictures as SVG and PNG text that stands inside the page: no script, no outside resource."""
from __future__ import annotations

import base64
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from emu.report.history import BINS, EXECUTED, READ_FROM, WRITTEN

LEFT, WIDTH, ROW = 150, 2 * BINS, 46  # pixels: names, the timeline, a row of it
BAR = 34  # pixels of the tallest bar
LETTER = 6  # pixels, about, of a letter of a mark
CELL = 2  # pixels of one byte in the memory map
# Executed, written, read (the first that applies): colours that tell themselves apart on
# light and dark, also without red and green (from memory: a palette for colour-blind readers).
COLOURS = ((EXECUTED, (0, 114, 178)), (WRITTEN, (230, 159, 0)), (READ_FROM, (0, 158, 115)))


@dataclass(frozen=True)
class Row:
    """A row of the timeline: bars of counts a column, with a name, a total and a colour class."""

    name: str
    note: str
    counts: NDArray[np.int64]
    style: str = "bar"


def timeline(rows: Sequence[Row], seconds: float, marks: Sequence[tuple[float, str]]) -> str:
    """Draw rows over time; ``marks`` are (seconds, words) of what was typed."""
    height = ROW * len(rows) + 44
    out = [f'<svg viewBox="0 0 {LEFT + WIDTH + 20} {height}" role="img" '
           f'aria-label="what happened over {seconds:.4g} seconds">']
    for k, row in enumerate(rows):
        base = ROW * (k + 1)
        out.append(f'<text x="0" y="{base - 20}" class="name">{escape(row.name)}</text>')
        out.append(f'<text x="0" y="{base - 5}" class="note">{escape(row.note)}</text>')
        out.append(f'<line x1="{LEFT}" y1="{base}" x2="{LEFT + WIDTH}" y2="{base}" class="axis"/>')
        out.append(_bars(row, base))
    foot = ROW * len(rows)
    for k in range(6):
        x = LEFT + WIDTH * k // 5
        out.append(f'<line x1="{x}" y1="{foot}" x2="{x}" y2="{foot + 6}" class="axis"/>')
        out.append(f'<text x="{x}" y="{foot + 20}" class="tick">{seconds * k / 5:.4g} s</text>')
    return "".join([*out, _typed(marks, seconds, foot), "</svg>"])


def _typed(marks: Sequence[tuple[float, str]], seconds: float, foot: int) -> str:
    """Mark what was typed; words that would cover one another are left out."""
    out, free = [], 0.0
    for at, words in marks:
        x = LEFT + WIDTH * at / max(seconds, 1e-9)
        out.append(f'<line x1="{x:.1f}" y1="0" x2="{x:.1f}" y2="{foot}" class="typed"/>')
        if x >= free:
            short = words if len(words) <= 24 else words[:22] + "..."
            out.append(f'<text x="{x + 3:.1f}" y="{foot + 36}" class="typed">{escape(short)}'
                       f"</text>")
            free = x + 12 + LETTER * len(short)
    return "".join(out)


def _bars(row: Row, base: int) -> str:
    """Draw a row's bars as one path; heights go with the square root of the counts."""
    most = max(int(row.counts.max(initial=0)), 1)
    path = []
    for column in np.flatnonzero(row.counts).tolist():
        high = max(2.0, BAR * (int(row.counts[column]) / most) ** 0.5)
        path.append(f"M{LEFT + 2 * column} {base}v{-high:.1f}h2v{high:.1f}z")
    return f'<path class="{row.style}" d="{"".join(path)}"/>' if path else ""


def stack_picture(low: NDArray[np.int64], high: NDArray[np.int64], seconds: float) -> str:
    """Draw the range of SP over time, as an area in the addresses that it covered."""
    known = np.flatnonzero(low >= 0)
    if not len(known):
        return ""
    bottom, top = int(low[known].min()), int(high[known].max())
    span, tall = max(top - bottom, 1), 120
    def y(value: int) -> float:
        return 8 + (tall - 16) * (top - value) / span
    edge = [(LEFT + 2 * k, y(int(high[k]))) for k in known.tolist()]
    edge += [(LEFT + 2 * k, y(int(low[k])) + 1.5) for k in reversed(known.tolist())]
    points = " ".join(f"{x},{v:.1f}" for x, v in edge)
    return (f'<svg viewBox="0 0 {LEFT + WIDTH + 20} {tall}" role="img" aria-label="the stack '
            f'pointer over {seconds:.4g} seconds">'
            f'<text x="0" y="18" class="name">SP {top:04X}h</text>'
            f'<text x="0" y="{tall - 6}" class="name">SP {bottom:04X}h</text>'
            f'<polygon class="area" points="{points}"/></svg>')


def memory_picture(memory: NDArray[np.uint8], owners: Sequence[str]) -> str:
    """Draw the 64 KiB as a grid of 256 bytes a line; ``owners`` name who answers each 4 KiB."""
    side = 256 * CELL
    out = [f'<svg viewBox="0 0 {LEFT + side + 10} {side + 8}" class="memory" role="img" '
           f'aria-label="memory executed, read and written">',
           f'<image x="{LEFT}" y="0" width="{side}" height="{side}" '
           f'style="image-rendering:pixelated" href="data:image/png;base64,{_png(memory)}"/>']
    for page, owner in enumerate(owners):
        y = page * side // 16
        out.append(f'<line x1="0" y1="{y}" x2="{LEFT + side}" y2="{y}" class="grid"/>')
        out.append(f'<text x="0" y="{y + 20}" class="name">{page:X}000h {escape(owner)}</text>')
    return "".join([*out, "</svg>"])


def _png(memory: NDArray[np.uint8]) -> str:
    """Make a 256 x 256 PNG with a palette; untouched bytes are clear (PNG specification, W3C)."""
    index = np.zeros(65536, np.uint8)
    for number, (bit, _) in reversed(list(enumerate(COLOURS, 1))):
        index[memory & bit != 0] = number
    lines = np.zeros((256, 257), np.uint8)
    lines[:, 1:] = index.reshape(256, 256)
    palette = bytes(3) + b"".join(bytes(colour) for _, colour in COLOURS)
    data = b"\x89PNG\r\n\x1a\n" + b"".join((
        _chunk(b"IHDR", struct.pack(">IIBBBBB", 256, 256, 8, 3, 0, 0, 0)),
        _chunk(b"PLTE", palette), _chunk(b"tRNS", b"\x00\xff\xff\xff"),
        _chunk(b"IDAT", zlib.compress(lines.tobytes(), 9)), _chunk(b"IEND", b"")))
    return base64.b64encode(data).decode("ascii")


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
