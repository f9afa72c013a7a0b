"""The pytest plugin as a builder's own repository uses it."""
import importlib.metadata
import shutil
import sys
from pathlib import Path

import pytest

from emu.native.cache import cache_folder

pytest_plugins = ["pytester"]

EXAMPLE = "driver-example"
REGISTERED = any(e.name == "preburn" for e in importlib.metadata.entry_points(group="pytest11"))
PLUGIN = [] if REGISTERED else ["-p", "emu.pytestplugin"]


CACHE = cache_folder().parent.parent  # pytester moves HOME, and with it the compiled code


@pytest.fixture
def project(pytester: pytest.Pytester, roms: Path,
            monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    """A copy of the example repository."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(CACHE))
    for file in (roms / EXAMPLE).iterdir():
        if file.is_file():
            shutil.copy(file, pytester.path)
    return pytester


def run(project: pytest.Pytester, *arguments: str) -> pytest.RunResult:
    return project.runpytest_subprocess(*PLUGIN, "-p", "no:cacheprovider", *arguments)


def test_the_example_passes(project: pytest.Pytester) -> None:
    run(project).assert_outcomes(passed=7)


def test_the_example_passes_in_two_processes(project: pytest.Pytester) -> None:
    pytest.importorskip("xdist")
    run(project, "-n", "2").assert_outcomes(passed=7)


def test_it_works_when_the_compiler_was_imported_before(project: pytest.Pytester) -> None:
    project.makeconftest("import numba\n")
    run(project).assert_outcomes(passed=7)


def test_a_failure_shows_the_verdict(project: pytest.Pytester) -> None:
    project.makepyfile(test_fail="""
        import pytest

        @pytest.mark.backplane("machine.toml", until=">")
        def test_wrong(rig):
            assert rig.word("level") == 5

        @pytest.mark.backplane("machine.toml", until="never")
        def test_missed(rig):
            pass
    """)
    done = run(project, "test_fail.py")
    done.assert_outcomes(failed=1, errors=1)
    done.stdout.fnmatch_lines(["*preburn verdict*", "*machine.toml", "verdict: *"])
    done.stdout.fnmatch_lines(["*the text 'never' did not come within 30 s*"])


def test_settings_in_the_configuration(project: pytest.Pytester) -> None:
    project.makeini("[pytest]\npreburn_backplane = machine.toml\npreburn_until = >\n")
    project.makepyfile(test_plain="""
        def test_steps(rig):
            assert rig.console == "0>"
            assert rig.t_states("main+0x0e", "main+14") == 12  # JR: UM0080

        def test_fresh_again(rig, rig_of):
            rig.poke("level", b"\\x05")
            assert rig_of("machine.toml", until=">").word("level") == 0
    """)
    run(project, "test_plain.py").assert_outcomes(passed=2)


def test_known_good_records(project: pytest.Pytester) -> None:
    project.makepyfile(test_good="""
        import pytest

        @pytest.mark.backplane("machine.toml", until=">")
        @pytest.mark.known_good("boot.json")
        def test_boot_is_as_recorded():
            pass
    """)
    done = run(project, "test_good.py")
    done.assert_outcomes(failed=1)
    done.stdout.fnmatch_lines(["*boot.json: no such record; pytest --update makes it."])
    done = run(project, "test_good.py", "--update")
    done.assert_outcomes(passed=1)
    done.stdout.fnmatch_lines(["boot.json: made"])
    run(project, "test_good.py").assert_outcomes(passed=1)
    program = (project.path / "driver.ihx").read_text()
    changed = program.replace("3E15", "3E11", 1)  # 8N2: one more stop bit
    assert changed != program
    lines = changed.splitlines()
    for k, line in enumerate(lines):
        body = bytes.fromhex(line[1:-2])
        lines[k] = ":" + (body + bytes([-sum(body) & 0xFF])).hex().upper()
    (project.path / "driver.ihx").write_text("\n".join(lines) + "\n")
    done = run(project, "test_good.py")
    done.assert_outcomes(failed=1)
    done.stdout.fnmatch_lines(["*port*"])
    for told in ("made anew, and it differs", "made anew, the same as before"):
        run(project, "test_good.py", "--update").stdout.fnmatch_lines([f"boot.json: {told}"])


def test_mistakes_are_told_in_a_line(project: pytest.Pytester) -> None:
    project.makepyfile(test_odd="""
        import pytest

        @pytest.mark.backplane("gone.toml")
        def test_gone(rig):
            pass

        def test_none(rig):
            pass

        @pytest.mark.backplane("machine.toml", untill=">")
        def test_typo(rig):
            pass
    """)
    done = run(project, "test_odd.py")
    done.assert_outcomes(errors=3)
    done.stdout.fnmatch_lines_random([
        "*gone.toml: no such file*", "*name the machine: @pytest.mark.backplane*",
        "*the marker backplane takes one file and until, limit, seed, not ?'untill'?*"])


def test_the_plugin_imports_nothing_heavy() -> None:
    import subprocess

    code = ("import sys, emu.pytestplugin; "
            "print(sorted({'numpy', 'numba', 'llvmlite'} & set(sys.modules)))")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                          check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("workers", [[], ["-n", "2"]])
def test_coverage_of_all_tests_and_workers(project: pytest.Pytester, workers: list[str]) -> None:
    if workers:
        pytest.importorskip("xdist")
    done = run(project, "--coverage", "c.info", *workers)
    done.assert_outcomes(passed=7)
    done.stdout.re_match_lines([r".*preburn coverage.*", r"source +lines run +instructions run",
                                r"driver\.c +\d+ of \d+ +\d+ %"])
    text = (project.path / "c.info").read_text()
    assert f"SF:{project.path}/driver.c" in text
    functions = {line.split(",")[1]: int(line[5:].split(",")[0])
                 for line in text.splitlines() if line.startswith("FNDA:")}
    assert functions["take"] == 2 and functions["check_byte"] == 5


def test_coverage_never_replaces_a_file_of_another_kind(project: pytest.Pytester) -> None:
    done = run(project, "--coverage", "driver.c")
    assert done.ret != 0
    done.stderr.fnmatch_lines(["*--coverage *driver.c: is there already and is no coverage file*"])
