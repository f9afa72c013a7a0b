"""Write the figures into docs/accuracy.md, between the marks of its table."""
from __future__ import annotations

from pathlib import Path
from typing import Any

from mutants.figures import share
from mutants.judge import CLASSES

BEGIN, END = "<!-- table accuracy -->\n", "<!-- end -->"


def _row(*cells: object) -> str:
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def _table(title: str, groups: dict[str, dict[str, int]]) -> list[str]:
    lines = [_row(title, "mutants", "broken", "harmless", "answers", *CLASSES, "named, %"),
             _row(*["---"] * (6 + len(CLASSES)))]
    for name, group in groups.items():
        lines.append(_row(name, group["mutants"], group["broken"], group["harmless"],
                          group["answers"], *(group[kind] for kind in CLASSES),
                          f"{100 * share(group, 'named'):.0f}" if group["answers"] else "-"))
    return [*lines, ""]


def _classes(sums: dict[str, Any]) -> list[str]:
    lines = [_row("answers about broken mutants", "answers", *CLASSES, "named, %", "near, %"),
             _row(*["---"] * (4 + len(CLASSES)))]
    rows = {"all": sums["classes"]["both"], "with symbols": sums["classes"]["symbols"],
            "bare binary": sums["classes"]["bare"],
            **{f"{half} half": sums["halves"][half] for half in ("open", "closed")}}
    for name, count in rows.items():
        if count["answers"]:
            lines.append(_row(name, count["answers"], *(count[kind] for kind in CLASSES),
                              f"{100 * share(count, 'named'):.1f}",
                              f"{100 * share(count, 'near'):.1f}"))
    return [*lines, ""]


def table(sums: dict[str, Any], heading: str) -> str:
    """Return the page's tables as Markdown."""
    healthy, cost, states = sums["healthy"], sums["processor_seconds"], sums["t_states"]
    lines = [heading, "", *_classes(sums),
             f"Of {sums['mutants']} mutants {sums['broken']} are broken and {sums['harmless']} "
             f"harmless; {sums['unbuildable']} do not build and {sums['refused']} are refused as "
             f"files. {sums['timed_out']} runs were ended for their time. Of "
             f"{sums['harmless_runs']} runs of harmless mutants {sums['harmless_accused']} were "
             f"given a cause.", "",
             f"Healthy programs: {healthy['accused']} of {healthy['runs']} runs accused; the text "
             f"that ends the demonstration did not come in {healthy['text_did_not_come']}.", "",
             _row("healthy run", "runs", "accused"), _row(*["---"] * 3)]
    lines += [_row(name, count["runs"], count["accused"])
              for name, count in [*healthy["by_run"].items(), *healthy["by_image"].items()]]
    lines += ["", f"A run takes {cost['median']:.2f} s of processor time in the median, "
              f"{cost['worst']:.1f} s at worst; {states['median']:.3g} T-states, at worst "
              f"{states['worst']:.3g}.", "",
              *_table("where the mistake is", sums["kinds"]),
              *_table("kernel", sums["kernels"]), *_table("operator", sums["operators"])]
    return "\n".join(lines)


def write(path: Path, sums: dict[str, Any], heading: str) -> None:
    """Put the tables between the marks of the page."""
    text = path.read_text()
    before, _, rest = text.partition(BEGIN)
    if not rest or END not in rest:
        raise ValueError(f"{path}: holds no lines {BEGIN.strip()} and {END}.")
    path.write_text(before + BEGIN + table(sums, heading) + rest[rest.index(END):])
