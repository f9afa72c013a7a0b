"""Count the rows of a measurement: per class, kind of image, operator, kernel, and the cost."""
from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterable
from typing import Any

from mutants.build import BARE, WITH
from mutants.judge import CLASSES, HARMLESS
from mutants.measure import BROKEN, REFUSED, UNBUILDABLE

IMAGES = (WITH, BARE)
Row = dict[str, Any]


def classes(rows: Iterable[Row], images: Iterable[str] = IMAGES) -> dict[str, int]:
    """Count the answers about broken mutants, by class, both images together unless said."""
    wanted = set(images)
    count = Counter(run["class"] for row in rows if row["truth"] == BROKEN
                    for image, run in row["runs"].items() if image in wanted)
    return {"answers": sum(count.values()), **{name: count[name] for name in CLASSES}}


def share(count: dict[str, int], name: str) -> float:
    """Give the part of the answers that are of one class; 0 when there is none."""
    return round(count[name] / count["answers"], 3) if count["answers"] else 0.0


def _grouped(rows: list[Row], key: str) -> dict[str, dict[str, int]]:
    out = {}
    for name in sorted({row[key] for row in rows}):
        group = [row for row in rows if row[key] == name]
        truth = Counter(row["truth"] for row in group)
        out[name] = {"mutants": len(group), BROKEN: truth[BROKEN], HARMLESS: truth[HARMLESS],
                     **classes(group)}
    return out


def _cost(values: list[float]) -> dict[str, float]:
    return {"median": round(statistics.median(values), 3), "worst": round(max(values), 3)} \
        if values else {"median": 0.0, "worst": 0.0}


def figures(rows: list[Row], healthy: list[Row]) -> dict[str, Any]:
    """Make the sums of a measurement."""
    truth = Counter(row["truth"] for row in rows)
    runs = [run for row in rows for run in row["runs"].values()]
    everything = [*runs, *healthy]
    quiet = [run for row in rows if row["truth"] == HARMLESS for run in row["runs"].values()]
    return {
        "mutants": len(rows), BROKEN: truth[BROKEN], HARMLESS: truth[HARMLESS],
        UNBUILDABLE: truth[UNBUILDABLE], REFUSED: truth[REFUSED],
        "timed_out": sum(run["timed_out"] for run in runs),
        "classes": {"both": classes(rows), **{image: classes(rows, [image]) for image in IMAGES}},
        "halves": {half: classes([row for row in rows if row["half"] == half])
                   for half in ("open", "closed")},
        "kinds": _grouped(rows, "kind"), "operators": _grouped(rows, "operator"),
        "kernels": _grouped(rows, "kernel"),
        "harmless_runs": len(quiet), "harmless_accused": sum(run["accused"] for run in quiet),
        "healthy": {
            "runs": len(healthy), "accused": sum(row["accused"] for row in healthy),
            "text_did_not_come": sum(row["came"] is False for row in healthy),
            "by_image": {image: {"runs": sum(row["image"] == image for row in healthy),
                                 "accused": sum(row["accused"] for row in healthy
                                                if row["image"] == image)} for image in IMAGES},
            "by_run": {name: {"runs": sum(row["run"] == name for row in healthy),
                              "accused": sum(row["accused"] for row in healthy
                                             if row["run"] == name)}
                       for name in dict.fromkeys(row["run"] for row in healthy)},
        },
        "processor_seconds": _cost([run["processor_seconds"] for run in everything]),
        "t_states": _cost([run["t_states"] for run in everything]),
    }
