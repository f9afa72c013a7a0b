"""Change central modules by one operator or number at a time, and see whether a test notices.

    python tools/mutation.py --minutes 10 --sample 20            # all modules below, 20 each
    python tools/mutation.py --minutes 5 emu/bus/chain.py        # all mutants of one

The project is copied first; nothing is changed where it stands.  A mutant is *killed* when one
of the module's tests fails or takes ten times as long.  One that survives is printed with its
line: write the test that would notice it, or see that it changes nothing.  Modules of hot
functions run plain, without the compiler.
"""
from __future__ import annotations

import argparse
import ast
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from queue import Queue

ROOT = Path(__file__).resolve().parent.parent
# Module -> its tests; those that boot ROMs run compiled, as the module itself is not hot.
PLAIN = {
    "emu/bus/chain.py": ("test_emu_chain",),
    "emu/bus/faulty_bus.py": ("test_emu_faults",),
    "peripherals/z80_sio_channel.py": ("test_peripherals_z80_sio",
                                       "test_peripherals_z80_sio_interrupts"),
    "peripherals/z80_ctc_channel.py": ("test_peripherals_z80_ctc",),
}
COMPILED = {
    "emu/backplane/port_rows.py": ("test_emu_port_rows",),
    "emu/backplane/fault_kinds.py": ("test_emu_faults",),
    "emu/run/session.py": ("test_emu_session",),
    "emu/files/image.py": ("test_emu_image",),
    "emu/stepper/expression.py": ("test_emu_stepper_expression",),
    "emu/diagnosis/evidence/silent_ports.py": ("test_emu_diagnosis_silent_ports",),
}
TESTS = {**PLAIN, **COMPILED}
OTHER = {"==": "!=", "!=": "==", "<": "<=", "<=": "<", ">": ">=", ">=": ">", "+": "-", "-": "+",
         "&": "|", "|": "&", "^": "|", "<<": ">>", ">>": "<<", "*": "+", "//": "*", "%": "*",
         "and": "or", "or": "and", "in": "not in", "not in": "in", "is": "is not",
         "is not": "is"}
OPERATOR = re.compile(
    r"not in|is not|\band\b|\bor\b|\bin\b|\bis\b|==|!=|<<|>>|<=|>=|//|[-+&|^*%<>]")
SLOWER, SPARE = 10, 20.0  # times the tests' own time, and seconds more


@dataclass(frozen=True)
class Mutant:
    """One change: where it begins in the source, how long that is, and what stands there then."""

    at: int
    length: int
    text: str
    line: int


@dataclass
class Score:
    """What became of the mutants of one module."""

    module: str
    possible: int
    killed: int = 0
    survived: list[str] = field(default_factory=list)


def _offsets(source: str) -> list[int]:
    out = [0]
    for line in source.splitlines(keepends=True):
        out.append(out[-1] + len(line))
    return out


def mutants(source: str) -> list[Mutant]:
    """List every change of a module: operators, whole numbers, truth values, ``not``."""
    starts = _offsets(source)
    tree = ast.parse(source)
    skipped = {id(node) for outer in ast.walk(tree) for node in _untested(outer)}

    def place(node: ast.expr | ast.stmt, end: bool = False) -> int:
        line, column = ((node.end_lineno or 1, node.end_col_offset or 0) if end
                        else (node.lineno, node.col_offset))
        row = source[starts[line - 1]:starts[line]]
        return starts[line - 1] + len(row.encode()[:column].decode())

    def between(left: ast.expr, right: ast.expr) -> Iterator[Mutant]:
        start, end = place(left, end=True), place(right)
        found = OPERATOR.search(source, start, end)
        if found and found[0] in OTHER:
            yield Mutant(found.start(), len(found[0]), OTHER[found[0]], left.end_lineno or 1)

    def changes(node: ast.AST) -> Iterator[Mutant]:
        if isinstance(node, ast.Compare):
            for left, right in zip([node.left, *node.comparators], node.comparators,
                                   strict=False):
                yield from between(left, right)
        elif isinstance(node, ast.BoolOp):
            yield from between(node.values[0], node.values[1])
        elif isinstance(node, ast.BinOp):
            yield from between(node.left, node.right)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            yield Mutant(place(node), 4, "", node.lineno)
        elif isinstance(node, ast.Constant) and type(node.value) in (bool, int):
            length = place(node, end=True) - place(node)
            new = not node.value if isinstance(node.value, bool) else node.value + 1
            yield Mutant(place(node), length, str(new), node.lineno)
        elif isinstance(node, ast.AugAssign):
            start = place(node.target, end=True)
            found = OPERATOR.search(source, start, place(node.value))
            if found and found[0] in OTHER:
                yield Mutant(found.start(), len(found[0]), OTHER[found[0]], node.lineno)

    return sorted({m for node in ast.walk(tree) if id(node) not in skipped
                   for m in changes(node)}, key=lambda m: m.at)


def _untested(node: ast.AST) -> Iterator[ast.AST]:
    """Give what no test can notice: annotations, and the numbers of dtypes and dataclasses."""
    for name in ("annotation", "returns"):
        if getattr(node, name, None) is not None:
            yield from ast.walk(getattr(node, name))
    if isinstance(node, ast.Call) and ast.unparse(node.func) in ("np.dtype", "dataclass"):
        for inner in ast.walk(node):
            if inner is not node:
                yield inner


def copy_of_project(folder: Path) -> Path:
    """Copy what tests need; what is large and only read is linked."""
    for name in ("emu", "peripherals", "tests"):
        shutil.copytree(ROOT / name, folder / name,
                        ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("roms", "docs", "tools", "pyproject.toml", "README.md", "DEVELOPERS.md"):
        (folder / name).symlink_to(ROOT / name)
    return folder


def run_tests(folder: Path, module: str, limit: float) -> tuple[bool, float]:
    """Run a module's tests in a copy; tell whether they pass in time, and the seconds taken."""
    plain = {"NUMBA_DISABLE_JIT": "1"} if module in PLAIN else {}
    begun = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider",
         "-k", "not machine_code and not tables_of_the_docs",
         *(f"tests/{name}.py" for name in TESTS[module])],
        cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        start_new_session=True, env={**os.environ, **plain, "PYTHONPATH": str(folder)})
    try:
        status = process.wait(limit)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, 9)
        process.wait()
        status = -1
    return status == 0, time.monotonic() - begun


def judged(folder: Path, module: str, mutant: Mutant, limit: float) -> bool:
    """Tell whether the tests notice a mutant."""
    path = folder / module
    source = path.read_text()
    changed = source[:mutant.at] + mutant.text + source[mutant.at + mutant.length:]
    try:
        compile(changed, module, "exec")
    except SyntaxError:
        return True
    for old in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
        old.unlink()
    path.write_text(changed)
    try:
        return not run_tests(folder, module, limit)[0]
    finally:
        path.write_text(source)
        for old in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
            old.unlink()


def measure(module: str, sample: int, seed: int, folders: Queue[Path], pool: ThreadPoolExecutor,
            end: float) -> Score:
    """Try the mutants of one module, a sample of them, until the time is up."""
    source = (ROOT / module).read_text()
    every = mutants(source)
    chosen = random.Random(f"{seed} {module}").sample(every, min(sample or len(every), len(every)))
    score = Score(module, len(every))
    folder = folders.get()
    passes, seconds = run_tests(folder, module, 600)
    folders.put(folder)
    if not passes:
        raise SystemExit(f"{module}: its tests fail as they are; mend that first.")

    def one(mutant: Mutant) -> tuple[Mutant, bool | None]:
        mine = folders.get()
        try:
            if time.monotonic() > end:
                return mutant, None
            return mutant, judged(mine, module, mutant, SLOWER * seconds + SPARE)
        finally:
            folders.put(mine)

    for mutant, killed in pool.map(one, sorted(chosen, key=lambda m: m.at)):
        if killed is None:
            continue
        score.killed += killed
        if not killed:
            was = source[mutant.at:mutant.at + mutant.length]
            line = source.splitlines()[mutant.line - 1].strip()
            score.survived.append(f"{module}:{mutant.line}: {was!r} -> {mutant.text!r}: {line}")
    return score


def main(arguments: Sequence[str]) -> int:
    """Measure and print a table; the exit status."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("modules", nargs="*", default=list(TESTS), metavar="MODULE")
    parser.add_argument("--sample", type=int, default=0, help="mutants of each module, 0: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args(arguments)
    for module in given.modules:
        if module not in TESTS:
            parser.error(f"{module} has no tests listed in tools/mutation.py; known: "
                         f"{', '.join(TESTS)}")
    begun = time.monotonic()
    scores = []
    with tempfile.TemporaryDirectory() as place, ThreadPoolExecutor(given.processes) as pool:
        folders: Queue[Path] = Queue()
        for k in range(given.processes):
            folders.put(copy_of_project(Path(place) / str(k)))
        for number, module in enumerate(given.modules):
            left = given.minutes * 60 - (time.monotonic() - begun)
            share = left / (len(given.modules) - number)  # what one does not use, the next may
            scores.append(measure(module, given.sample, given.seed, folders, pool,
                                  time.monotonic() + share))
            for line in scores[-1].survived:
                print(line, flush=True)
    print("\n| module | mutants possible | tried | killed |\n|---|---|---|---|")
    for score in scores:
        tried = score.killed + len(score.survived)
        print(f"| `{score.module}` | {score.possible} | {tried} | {score.killed} |")
    print(f"| all | {sum(s.possible for s in scores)} "
          f"| {sum(s.killed + len(s.survived) for s in scores)} "
          f"| {sum(s.killed for s in scores)} |")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
