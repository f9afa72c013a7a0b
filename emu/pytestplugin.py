"""The pytest plugin: `rig`, `rig_of`, the markers `backplane` and `known_good`, the verdict.

Loaded by pytest through the entry point; it imports the simulator only when a test asks
for a machine.
"""
from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from emu.testing.covering import Covering
    from emu.testing.rig import Booted, Rig

COVERING: pytest.StashKey[Covering | None] = pytest.StashKey()
BOOTS: pytest.StashKey[dict[Any, Booted]] = pytest.StashKey()
RIGS: pytest.StashKey[list[Rig]] = pytest.StashKey()
ARGUMENTS = ("until", "limit", "seed")
HOLDS = ("same", "tolerance")
RECORD = "preburn record"  # property of a report: what has become of a record


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the settings of a project's machine."""
    parser.addini("preburn_backplane", "backplane file of the fixture rig, from the root folder")
    parser.addini("preburn_until", "text on the console at which a boot is done")
    group = parser.getgroup("preburn")
    group.addoption("--update", action="store_true", dest="preburn_update",
                    help="write the known-good records of the chosen tests anew")
    group.addoption("--coverage", metavar="OUT.info", dest="preburn_coverage",
                    help="say which instructions, source lines and branches of the images the "
                         "tests have run, and write it as an LCOV file")


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    config.addinivalue_line(
        "markers", "backplane(file, until=None, limit=30, seed=None): the machine of the "
        "fixture rig; file is relative to the test's folder, or to the root folder")
    config.addinivalue_line(
        "markers", "known_good(record, same='strict', tolerance='1%'): hold the machine's boot "
        "against a record; pytest --update writes it anew")
    config.stash[BOOTS] = {}
    config.stash[COVERING] = None
    out = config.getoption("preburn_coverage")
    if out is not None:
        from emu.errors import InputError
        from emu.testing.covering import Covering
        from emu.usage import lcov

        try:
            lcov.check(Path(out))
        except InputError as error:
            raise pytest.UsageError(f"--coverage {error}") from None
        covering = config.stash[COVERING] = Covering()
        if not hasattr(config, "workerinput"):
            config.pluginmanager.register(Summing(covering, Path(out)))


class Summing:
    """What the process that writes the coverage does; workers only hand on what they have."""

    def __init__(self, covering: Covering, out: Path) -> None:
        self._covering, self._out = covering, out

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        """Take what a worker of pytest-xdist has counted."""
        self._covering.take(getattr(node, "workeroutput", {}).get("preburn_coverage", ""))

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        """Show the table, and write the file."""
        from emu.errors import InputError

        terminalreporter.section("preburn coverage")
        try:
            lines = self._covering.write(self._out)
        except InputError as error:
            lines = [str(error)]
        for line in lines:
            terminalreporter.write_line(line)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Hand on what a worker of pytest-xdist has counted."""
    covering = session.config.stash[COVERING]
    output = getattr(session.config, "workeroutput", None)
    if covering is not None and output is not None:
        output["preburn_coverage"] = covering.handed_on()


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Tell which records were made."""
    for report in terminalreporter.getreports("passed") + terminalreporter.getreports("failed"):
        for name, told in report.user_properties:
            if name == RECORD and report.when == "call":
                terminalreporter.write_line(told)


def _from_root(path: Path, item: pytest.Item) -> Path:
    root = item.config.rootpath
    return path.relative_to(root) if path.is_relative_to(root) else path


def _file(name: str, item: pytest.Item) -> Path:
    """Find a backplane file beside the test or at the root."""
    beside = item.path.parent / name
    return beside if beside.exists() else item.config.rootpath / name


def _wanted(item: pytest.Item) -> tuple[Path, dict[str, Any]]:
    """Read the marker, or the settings in the project's configuration."""
    marker = item.get_closest_marker("backplane")
    if marker is None:
        name = item.config.getini("preburn_backplane")
        if not name:
            raise pytest.UsageError(
                f"{item.nodeid}: name the machine: @pytest.mark.backplane('machine.toml'), or "
                f"preburn_backplane in the pytest configuration.")
        return (item.config.rootpath / name,
                {"until": item.config.getini("preburn_until") or None})
    name, given = _marked(item, "backplane", marker, ARGUMENTS)
    return _file(name, item), given


def _marked(item: pytest.Item, name: str, marker: pytest.Mark,
            known: tuple[str, ...]) -> tuple[str, dict[str, Any]]:
    """Read a marker that takes one file and some named settings."""
    unknown = sorted(set(marker.kwargs) - set(known))
    if len(marker.args) != 1 or unknown:
        raise pytest.UsageError(f"{item.nodeid}: the marker {name} takes one file and "
                                f"{', '.join(known)}, not {unknown or list(marker.args)}.")
    return str(marker.args[0]), dict(marker.kwargs)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_call(item: pytest.Item) -> None:
    """Hold the machine of a test with the marker known_good against its record, first."""
    marker = item.get_closest_marker("known_good")
    if marker is None:
        return
    from emu.errors import InputError
    from emu.testing import knowngood

    name, how = _marked(item, "known_good", marker, HOLDS)
    file, boot = _wanted(item)
    good = item.path.parent / name
    try:
        if item.config.getoption("preburn_update"):
            told = knowngood.update(file, good, boot.get("until"), boot.get("limit", 30),
                                    boot.get("seed"))
            item.user_properties.append((RECORD, f"{_from_root(good, item)}: {told}"))
        elif not good.exists():
            pytest.fail(f"{good}: no such record; pytest --update makes it.", pytrace=False)
        found = knowngood.differences(file, good, how.get("same", "strict"),
                                      how.get("tolerance", "1%"))
    except InputError as error:
        pytest.fail(str(error), pytrace=False)
    if found:
        pytest.fail("\n".join(found), pytrace=False)


@pytest.fixture
def rig_of(request: pytest.FixtureRequest) -> Iterator[Callable[..., Rig]]:
    """Boot machines: ``rig_of("machine.toml", until="> ")``; each boots once a session."""
    from emu.errors import InputError
    from emu.testing.rig import Rig

    item = request.node
    rigs = item.stash.setdefault(RIGS, [])

    def make(file: str | Path, until: str | None = None, limit: float = 30,
             seed: int | None = None) -> Rig:
        path = _file(str(file), item)
        boots = request.config.stash[BOOTS]
        covering = request.config.stash[COVERING]
        key = path.resolve(), until, limit, seed
        try:
            if key not in boots:
                first = Rig.boot(path, until, limit, seed, covering is not None)
                boots[key] = first.freeze()
                if covering is not None:
                    covering.add(first.machine)
            rig = Rig.thaw(boots[key], covering is not None)
        except InputError as error:
            pytest.fail(str(error), pytrace=False)
        rigs.append(rig)
        return rig

    yield make
    if (covering := request.config.stash[COVERING]) is not None:
        for rig in rigs:
            covering.add(rig.machine)


@pytest.fixture
def rig(request: pytest.FixtureRequest, rig_of: Callable[..., Rig]) -> Rig:
    """Give the machine of the marker ``backplane`` or of the configuration, freshly booted."""
    file, given = _wanted(request.node)
    return rig_of(file, **given)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]
                              ) -> Any:
    """Add how each machine stands, and why, to a failed test's report."""
    report = yield
    if call.when == "call" and report.failed and "verdict:" not in str(report.longrepr):
        for rig in item.stash.get(RIGS, []):
            lines = [str(rig.machine.description.path), *rig.verdict().lines()]
            report.sections.append(("preburn verdict", "\n".join(lines)))
    return report
