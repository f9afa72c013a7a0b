"""The files of a new project, as text."""
from __future__ import annotations

from pathlib import Path

from emu.atomic import write_atomic
from emu.errors import InputError
from emu.image import load_image
from emu.starting.choices import Choices, backplane

TESTS = '''"""What {name} must do, before it is burned: pytest runs these."""
import pytest

pytestmark = pytest.mark.backplane("machine.toml", until={until!r})


@pytest.mark.known_good("good.json")  # pytest --update makes it, or makes it anew
def test_it_boots_as_recorded():
    pass


def test_it_reaches_its_prompt(rig):
    assert {until!r} in rig.console
'''

CI = """#!/bin/sh
# What to run at each push: call this from the service that builds the project.
set -eu
python3 -m venv .venv
.venv/bin/pip install --quiet preburn pytest
.venv/bin/preburn check machine.toml
.venv/bin/pytest
.venv/bin/preburn preflight machine.toml --until '{until}'
"""

README = """# {name}

- `machine.toml`: the cards, their jumpers and the image.
- `images/`: what is burned. Put the ROM at `{image}`.
- `ci.sh`: the checks for a build service.
- `test_boot.py`: what it must do; `good.json`: what a good boot did (`pytest --update` makes it).

```sh
preburn check machine.toml                       # the wiring
preburn boot machine.toml --until '{until}'
pytest --update                                  # once: make the known-good record
pytest
preburn preflight machine.toml --until '{until}'    # before burning
```
"""


def start(folder: Path, choices: Choices, rom: Path | None) -> list[Path]:
    """Make the project; give its files.

    ``rom`` is copied into images/ when given.  Raises InputError when the folder holds
    something already, or the ROM is no image.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder}: is there already and not empty; name a new folder.")
    content = b""
    if rom is not None:
        load_image(rom)
        content = rom.read_bytes()
    words = {"name": choices.name, "until": choices.until, "image": choices.image}
    texts = {"machine.toml": backplane(choices), "test_boot.py": TESTS.format(**words),
             "README.md": README.format(**words),
             "ci.sh": CI.format(**words),
             "images/README": "ROM images: raw binary, Intel HEX, S-record or ELF.\n"}
    made = []
    for name, text in texts.items():
        made.append(_write(folder / name, text.encode("utf-8")))
    if content:
        made.append(_write(folder / choices.image, content))
    return made


def _write(path: Path, data: bytes) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{path.parent}: cannot be made: {error.strerror}; name another "
                         f"folder.") from None
    write_atomic(path, data)
    return path
