"""Write the results of a sweep: text, CSV, HTML; and what they come to, axis by axis."""
from __future__ import annotations

import csv
import html
from collections import Counter
from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import Any

from emu.errors import printable
from emu.files.atomic import check_output
from emu.sweep.jobs import NOT_RUN

Row = dict[str, Any]
COLUMNS = ("verdict", "cause", "seconds")
RESULTS = ("boots", "verdict", "cause", "seconds", "t_states", "where", "summary")
HEAD = '<!doctype html>\n<html lang="en">'
REASONS = 3  # why machines could not be run, the most frequent
FORMULA = ("=", "+", "-", "@")  # what begins a formula in a spreadsheet
NAMED = 8  # values of an axis that are named in a summary
STYLE = """body{font-family:sans-serif;margin:2em}table{border-collapse:collapse}
th,td{padding:.2em .7em;border-bottom:1px solid #ccc;text-align:left;vertical-align:top}
tr.boots td{background:#e8f5e8}tr.fails td{background:#fbeaea}td.number{text-align:right}"""


def check(csv_out: Path | None, html_out: Path | None) -> None:
    """Look before a sweep whether its tables may be written there; InputError if not."""
    for path, what, mark in ((csv_out, "CSV table", ",".join(RESULTS)), (html_out, "page", HEAD)):
        if path is not None:
            check_output(path, what, mark.encode("ascii"))


def axis_names(rows: Sequence[Row]) -> list[str]:
    """List what was varied."""
    return list(dict.fromkeys(name for row in rows for name in row["varied"]))


def cells(row: Row, axes: Sequence[str]) -> list[str]:
    """Give a row's texts: what was varied, verdict, cause, emulated time."""
    return [*(row["varied"].get(name, "") for name in axes), row["verdict"], row["cause"] or "",
            f"{row['seconds']:.6f}"]


def text(rows: Sequence[Row]) -> list[str]:
    """Write an aligned table, a line a machine."""
    axes = axis_names(rows)
    table = [[*axes, *COLUMNS], *(cells(row, axes) for row in rows)]
    wide = [max(len(line[k]) for line in table) for k in range(len(table[0]))]
    return ["  ".join(word.ljust(width) for word, width in zip(line, wide, strict=True)).rstrip()
            for line in table]


def _harmless(word: object) -> str:
    """Give a cell that no spreadsheet takes for a formula: an apostrophe in front makes it text
    (OWASP, "CSV Injection")."""
    text = printable(str(word), "\n")
    return f"'{text}" if text[:1] in FORMULA else text


def as_csv(rows: Sequence[Row]) -> str:
    """Write comma-separated values, all columns."""
    axes = axis_names(rows)
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(map(_harmless, [*axes, *RESULTS]))
    for row in rows:
        writer.writerow(map(_harmless, [
            *(row["varied"].get(name, "") for name in axes), "yes" if row["boots"] else "no",
            row["verdict"], row["cause"] or "", f"{row['seconds']:.9f}", row["t_states"],
            row["where"], row["summary"]]))
    return out.getvalue()


def as_html(title: str, rows: Sequence[Row]) -> str:
    """Write a page of its own, with nothing to load."""
    axes = axis_names(rows)
    head = "".join(f"<th>{html.escape(name)}</th>" for name in (*axes, *COLUMNS, "summary"))
    lines = []
    for row in rows:
        words = "".join(f"<td>{html.escape(word)}</td>" for word in cells(row, axes)[:-1])
        lines.append(f'<tr class="{"boots" if row["boots"] else "fails"}">{words}'
                     f'<td class="number">{row["seconds"]:.6f}</td>'
                     f'<td>{html.escape(row["summary"])}</td></tr>')
    told = "".join(f"<li>{html.escape(line)}</li>" for line in summary(rows))
    return (f'{HEAD}<head><meta charset="utf-8">'
            f"<title>{html.escape(title)}</title><style>{STYLE}</style></head>\n<body>"
            f"<h1>{html.escape(title)}</h1>\n<ul>{told}</ul>\n<table><thead><tr>{head}</tr>"
            f"</thead>\n<tbody>\n" + "\n".join(lines) + "\n</tbody></table></body></html>\n")


def summary(rows: Sequence[Row]) -> list[str]:
    """Say how many boot, and for each axis with which values none, or not all, do."""
    good = sum(row["boots"] for row in rows)
    others = Counter(row["cause"] or row["verdict"] for row in rows if not row["boots"])
    out = [f"{good} of {len(rows)} machines boot" + (
        f"; the others: {', '.join(f'{n} {name}' for name, n in others.most_common())}."
        if others else ".")]
    why = Counter(row["summary"] for row in rows if row["verdict"] == NOT_RUN)
    out += [f"{count} not run: {words}" for words, count in why.most_common(REASONS)]
    if 0 < good < len(rows):
        for name in axis_names(rows):
            out += _axis(name, rows)
    return out


def _axis(name: str, rows: Sequence[Row]) -> list[str]:
    """Say of one axis which values boot, unless it makes no difference."""
    counts: dict[str, list[int]] = {}
    for row in rows:
        pair = counts.setdefault(row["varied"].get(name, ""), [0, 0])
        pair[0] += row["boots"]
        pair[1] += 1
    if len(counts) < 2 or len({good * 1000 // of for good, of in counts.values()}) == 1:
        return []
    never = [value for value, (good, _) in counts.items() if good == 0]
    always = [value for value, (good, of) in counts.items() if good == of]
    some = [f"{value} ({good} of {of})" for value, (good, of) in counts.items() if 0 < good < of]
    parts = [f"{word} for {_some(values)}" for word, values in
             (("boots", always), ("boots at times", some), ("never boots", never)) if values]
    return [f"{name}: {'; '.join(parts)}."]


def _some(values: list[str]) -> str:
    rest = len(values) - NAMED
    return ", ".join(values[:NAMED]) + (f" and {rest} more" if rest > 0 else "")
