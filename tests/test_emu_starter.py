"""The starter ROM of a new project: built by its Makefile, booted, tested as its README says."""
import os
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import build_roms
import pytest

from emu.backplane.description import load
from emu.native.cache import cache_folder
from emu.starting.choices import KINDS, Choices
from emu.starting.files import start
from emu.starting.starter import sources, written
from emu.testing import Rig

ROOT = Path(__file__).parent.parent
TOOLS = build_roms.toolchain_folder() / "bin"
ENVIRONMENT = {**os.environ, "PATH": f"{TOOLS}{os.pathsep}{os.environ['PATH']}"}
ASM = pytest.param("asm", marks=pytest.mark.skipif(
    not (TOOLS / "z80-unknown-elf-as").exists(), reason="no cross assembler"))
C = pytest.param("c", marks=pytest.mark.skipif(not shutil.which("sdcc"), reason="no sdcc"))
# Another cage: every number differs from the usual one.
OTHERS = {"window-size": 16384, "ram-page": 0x50, "page-base": 0xA0, "rom-size": 0x2C00,
          "ram-start": 0xC000, "sio-base": 0xD8, "acia-base": 0xE4, "baud": 9600,
          "timer-base": 0xEC}


@pytest.mark.parametrize(("hz", "constant", "rate"), [
    ("6.144 MHz", 240, "100"), ("8 MHz", 256, "122.07"), ("2.5 MHz", 98, "99.6492"),
    ("20 kHz", 1, "78.125")])
def test_the_tick_comes_as_near_to_100_hz_as_the_timer_can(hz: str, constant: int,
                                                           rate: str) -> None:
    """UM0081, CTC: timer period = clock period x prescaler (256) x time constant."""
    text = sources(Choices("tide", clock=hz, language="asm", serial_clock="614.4 kHz"))["cage.inc"]
    assert f"CPU clock / 256 / {constant} is {rate}" in text


def test_blocks_of_a_source_stand_where_they_hold() -> None:
    text = "a\n@if x\nb @v@\n@if y\nc\n@else\nd\n@end\n@end\ne\n"
    assert written(text, {"x", "y"}, {"v": "1"}) == "a\nb 1\nc\ne\n"
    assert written(text, {"x"}, {"v": "1"}) == "a\nb 1\nd\ne\n"
    assert written(text, {"y"}, {}) == "a\ne\n"


@pytest.mark.parametrize("timer", KINDS["timer"])
@pytest.mark.parametrize("serial", KINDS["serial"])
@pytest.mark.parametrize("memory", KINDS["memory"])
@pytest.mark.parametrize("numbers", [{}, OTHERS], ids=["usual", "others"])
@pytest.mark.parametrize("language", [ASM, C])
def test_every_starter_builds_and_boots(tmp_path: Path, language: str, memory: str, serial: str,
                                        timer: str, numbers: dict[str, int]) -> None:
    kinds = {"memory": memory, "serial": serial, "timer": timer}
    asked = Choices("tide", **kinds).asked()
    start(tmp_path / "p", Choices("tide", **kinds, language=language, numbers={
        key: value for key, value in numbers.items() if key in asked}), None)
    done = subprocess.run(["make"], cwd=tmp_path / "p", env=ENVIRONMENT, text=True,
                          capture_output=True, check=False)
    assert done.returncode == 0 and "warning" not in done.stderr, done.stderr
    rig = Rig(load(tmp_path / "p/machine.toml"))
    assert rig.expect("> ") == "tide\r\n"
    counted = "keys" if timer == "none" else "ticks"
    before = rig.word("counted")
    assert before == 0 or timer == "ctc"
    rig.send("ebb\r")
    shown, told = rig.expect(f" {counted}\r\n> ").split("\r\n")
    assert shown == "ebb"
    assert int(told, 16) == 4 if timer == "none" else int(told, 16) > before
    rig.run(0.5)
    later = rig.word("counted")
    rig.run(1)
    assert rig.word("counted") - later in ((0,) if timer == "none" else (99, 100, 101))


def commands(readme: str) -> list[list[str]]:
    block = readme.split("```sh\n")[1].split("```")[0]
    return [shlex.split(line, comments=True) for line in block.splitlines()]


OWN = pytest.param("--image roms/driver-example/driver.ihx --until > --memory plain --serial acia "
                   "--timer none", "images/driver.ihx", 6, id="own image")


@pytest.mark.parametrize(("words", "image", "count"), [
    OWN,
    pytest.param("--language asm", "rom.elf", 7, marks=ASM.marks),
    pytest.param("--language asm --timer none", "rom.elf", 7, marks=ASM.marks),
    pytest.param("--language c --serial acia --timer none", "rom.ihx", 7, marks=C.marks)])
def test_the_readme_of_a_project_is_true(preburn, tmp_path: Path, words: str, image: str,
                                         count: int) -> None:
    folder = tmp_path / "gauge"
    done = preburn("new", folder, *words.split())
    assert done.returncode == 0, done.stderr
    machine = folder / "machine.toml"
    assert tomllib.loads(machine.read_text())["slot"]["memory"]["image"] == image
    environment = {**ENVIRONMENT, "PYTHONPATH": str(ROOT),
                   "XDG_CACHE_HOME": str(cache_folder().parent.parent)}
    plugin = ["-p", "emu.pytestplugin", "-p", "no:cacheprovider"]
    run = {"preburn": [sys.executable, "-m", "emu.cli"], "pytest": [sys.executable, "-m", "pytest"],
           "make": ["make"]}
    told = commands((folder / "README.md").read_text())
    assert len(told) == count
    for name, *rest in told:
        extra = plugin if name == "pytest" and not _registered() else []
        done = subprocess.run([*run[name], *extra, *rest], cwd=folder, text=True,
                              capture_output=True, env=environment, check=False)
        assert done.returncode == 0, (name, rest, done.stdout, done.stderr)
    assert (folder / "good.json").exists()
    if shutil.which("git"):
        subprocess.run(["git", "init", "-q"], cwd=folder, check=True)
        kept = subprocess.run(["git", "ls-files", "-o", "--exclude-standard"], cwd=folder,
                              text=True, capture_output=True, check=True).stdout.split()
        made = {path.relative_to(folder).as_posix() for path in start_again(folder, words)}
        assert set(kept) == made | {"good.json", "board.md"}  # what make leaves is not kept


def start_again(folder: Path, words: str) -> list[Path]:
    """List the files of a project as it is started."""
    options = dict(zip(words.split()[::2], words.split()[1::2], strict=True))
    kinds = {key: options[f"--{key}"] for key in KINDS if f"--{key}" in options}
    image = options.get("--image", "")
    choices = Choices("gauge", **kinds, language=options.get("--language", "none"),
                      own_image=f"images/{Path(image).name}" if image else "")
    return [folder / path.relative_to(folder.with_name("again"))
            for path in start(folder.with_name("again"), choices, ROOT / image if image else None)]


@pytest.mark.parametrize("given", ["", "git+https://depot.invalid/preburn", str(ROOT)])
def test_its_checks_install_from_where_they_are_told(preburn, tmp_path: Path, given: str) -> None:
    """The script runs with a python3 that only writes down what it is asked for."""
    folder = tmp_path / "gauge"
    done = preburn("new", folder, *(["--preburn-from", given] if given else []))
    assert done.returncode == 0, done.stderr
    fake = tmp_path / "bin/python3"
    fake.parent.mkdir()
    fake.write_text('#!/bin/sh\nmkdir -p .venv/bin\nfor n in pip preburn pytest; do\n'
                    'printf \'#!/bin/sh\\necho %s "$@"\\n\' $n >.venv/bin/$n\n'
                    'chmod +x .venv/bin/$n\ndone\n')
    fake.chmod(0o755)
    path = {"PATH": f"{fake.parent}{os.pathsep}{os.environ['PATH']}"}
    for told in ([given] if given else []) + ["/elsewhere"]:
        more = {} if told == given else {"PREBURN": told}
        done = subprocess.run(["sh", "ci.sh"], cwd=folder, env=path | more, text=True,
                              capture_output=True, check=False)
        assert done.returncode == 0, done.stderr
        assert done.stdout.splitlines() == [
            f"pip install --quiet {told} pytest", "preburn check", "pytest",
            "preburn preflight --until > "]
    if not given:
        done = subprocess.run(["sh", "ci.sh"], cwd=folder, env=path, text=True,
                              capture_output=True, check=False)
        assert done.returncode != 0 and "set it to where preburn is installed from" in done.stderr


@pytest.mark.parametrize(("language", "there", "told"), [
    ("asm", ["z80-unknown-elf-as"], ["make"]),
    ("asm", [], ["toolchain", "make .toolchain/bin/z80-unknown-elf-"]),
    ("c", ["sdcc"], ["make"]),
    ("c", [], ["apt-get update", "apt-get install -y --no-install-recommends sdcc", "make"])])
def test_its_checks_build_the_rom_with_what_they_find(preburn, tmp_path: Path, language: str,
                                                      there: list[str], told: list[str]) -> None:
    """Programs that only write down what they are asked for stand in for those of the service."""
    folder, programs = tmp_path / "gauge", tmp_path / "bin"
    done = preburn("new", folder, "--language", language, "--preburn-from", ROOT)
    assert done.returncode == 0, done.stderr
    programs.mkdir()
    fakes = {"python3": "mkdir -p .venv/bin; for n in pip preburn pytest; do printf '#!/bin/sh\n' "
             ">.venv/bin/$n; chmod +x .venv/bin/$n; done",
             "make": 'echo make ${CROSS#"$PWD/"}', "apt-get": 'echo apt-get "$@"',
             **dict.fromkeys(there, "")}
    for name, words in fakes.items():
        (programs / name).write_text(f"#!/bin/sh\n{words}\n")
        (programs / name).chmod(0o755)
    for name in ("sh", "mkdir", "chmod"):
        (programs / name).symlink_to(shutil.which(name) or name)
    if language == "asm":
        (folder / "toolchain.sh").write_text("echo toolchain\n")
    done = subprocess.run(["sh", "ci.sh"], cwd=folder, env={"PATH": str(programs)}, text=True,
                          capture_output=True, check=False)
    assert (done.returncode, done.stdout.splitlines()) == (0, told), done.stderr


@pytest.mark.skipif(not shutil.which("make"), reason="no make")
def test_make_takes_the_assembler_that_toolchain_sh_has_built(preburn, tmp_path: Path) -> None:
    folder = tmp_path / "gauge"
    assert preburn("new", folder, "--language", "asm").returncode == 0

    def told(*words: str) -> str:
        return subprocess.run(["make", "-n", *words], cwd=folder, text=True, capture_output=True,
                              check=True).stdout

    assert told().startswith("z80-unknown-elf-as ")
    tools = folder / ".toolchain/bin"
    tools.mkdir(parents=True)
    (tools / "z80-unknown-elf-as").touch()
    assert told().startswith(".toolchain/bin/z80-unknown-elf-as ")
    assert told("CROSS=mine-").startswith("mine-as ")


def _registered() -> bool:
    from importlib.metadata import entry_points

    return any(e.name == "preburn" for e in entry_points(group="pytest11"))
