"""The rooms of emu/ and the direction of their imports, read from the sources."""
from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parent.parent
# A room imports from itself and from rooms before it; DEVELOPERS.md draws them.
ROOMS = ("errors", "files", "native", "isa", "bus", "cpu", "card", "media", "backplane", "machine",
         "run", "logs", "romtools", "chronicle", "diagnosis", "stepper", "knowngood", "compare",
         "dap", "live", "sweep", "preflight", "usage", "report", "layout", "testing", "starting",
         "pytestplugin", "cli")
# Where a start is measured to need it, an import stands inside a function: the commands (`preburn
# --help` 0.10 s, against 0.55 s with all of emu), the kept declarations (`preburn cards` 0.14 s,
# against 0.58 s), the plugin that pytest loads in every project, and the ELF reader, whose library
# starts in 0.06 s and is not needed for images that were read before.
LATE = ("emu.cli", "emu.backplane.declarations", "emu.files.image",
        "emu.files.symbol_loading", "emu.pytestplugin")


class Import(NamedTuple):
    """One module of ours that another one names."""

    source: str
    target: str
    line: int
    late: bool  # inside a function


def modules() -> dict[str, Path]:
    found = {}
    for room in ("emu", "peripherals"):
        for path in (ROOT / room).rglob("*.py"):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            found[name.removesuffix(".__init__")] = path
    return found


MODULES = modules()


def named(node: ast.Import | ast.ImportFrom) -> Iterator[str]:
    for alias in node.names:
        if isinstance(node, ast.Import):
            yield alias.name
        else:
            assert node.level == 0, "imports are written whole"
            inner = f"{node.module}.{alias.name}"
            yield inner if inner in MODULES else str(node.module)


def imports() -> list[Import]:
    found = []
    for name, path in MODULES.items():
        tree = ast.parse(path.read_text())
        late = {inner for function in ast.walk(tree) if isinstance(function, ast.FunctionDef)
                for inner in ast.walk(function)}
        found += [Import(name, target, node.lineno, node in late)
                  for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)
                  for target in named(node) if target in MODULES]
    return found


IMPORTS = imports()


def room(module: str) -> str:
    parts = module.split(".")
    return parts[1] if parts[0] == "emu" and len(parts) > 1 else parts[0]


def test_no_module_imports_one_that_imports_it() -> None:
    graph: dict[str, set[str]] = {}
    for one in IMPORTS:
        graph.setdefault(one.source, set()).add(one.target)
    assert list(TopologicalSorter(graph).static_order())  # CycleError names a circle


def test_rooms_import_downwards_only() -> None:
    order = {name: number for number, name in enumerate(ROOMS)}
    upward = [one for one in IMPORTS if room(one.source) in order and room(one.target) in order
              and order[room(one.source)] < order[room(one.target)]]
    assert upward == []


def test_every_room_is_in_the_order() -> None:
    there = {room(name) for name in MODULES} - {"emu", "peripherals"}
    assert there == set(ROOMS)


def test_the_top_of_emu_holds_rooms_only() -> None:
    assert sorted(path.name for path in (ROOT / "emu").glob("*.py")) == [
        "__init__.py", "errors.py", "pytestplugin.py"]


def test_imports_stand_at_the_top_but_where_a_start_needs_them_late() -> None:
    assert [one for one in IMPORTS if one.late and not one.source.startswith(LATE)] == []


def test_only_the_catalogue_knows_the_cards() -> None:
    knowing = {one.source for one in IMPORTS
               if one.target.startswith("peripherals") and one.source.startswith("emu")}
    assert knowing == {"emu.backplane.card_catalogue"}


def test_the_contributors_page_draws_the_rooms_in_this_order() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    drawn = re.findall(r"^ *\d+ +`emu/(\w+?)(?:/|\.py)`", text, re.MULTILINE)
    assert drawn == list(ROOMS)


def test_every_file_that_the_pages_name_exists() -> None:
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")]
    missing = [(page.name, name) for page in pages
               for name in re.findall(r"\b(?:emu|peripherals|tests|tools)/[\w/]+\.py\b",
                                      page.read_text())
               if not (ROOT / name).exists()]
    assert missing == []


def test_a_wheel_takes_every_package() -> None:
    named = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    there = {".".join(path.parent.relative_to(ROOT).parts)
             for room in ("emu", "peripherals") for path in (ROOT / room).rglob("__init__.py")}
    assert set(named) - {"emu.demo"} == there
