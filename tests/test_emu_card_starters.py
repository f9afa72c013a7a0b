"""A card of one's own that starts processes is told of, once a place."""
from __future__ import annotations

from pathlib import Path

import pytest

from emu.backplane.card_files import load_card_file

CARD = """import os
import numpy as np
from peripherals.card import Card
STATE = np.dtype([("slot", np.int64)])
os.waitpid(os.posix_spawn("/bin/true", ["true"], {}), 0)
def read(m, s, a, t):
    os.system("true")
    return 0
CARD = Card(name="starter", summary="starts", source="own", state=STATE, registers=("data",),
            functions={"read": read})
"""


def test_it_is_told_where_and_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "starter.py"
    path.write_text(CARD)
    card = load_card_file(path)
    told = capsys.readouterr().err
    assert told == (f"preburn: {path}:5: this card starts a process (os.posix_spawn); "
                    f"it starts another whenever its run is done again, as an explanation does.\n")
    card.functions["read"](None, None, 0, 0)
    assert f"{path}:7: this card starts" in capsys.readouterr().err
    card.functions["read"](None, None, 0, 0)
    path.write_text(CARD + "# read anew\n")
    load_card_file(path)
    assert capsys.readouterr().err == ""
