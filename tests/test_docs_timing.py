"""The page about timing shows what the machine does now."""
from __future__ import annotations

import re
from pathlib import Path

import pytest
from timing_diagrams import diagrams

PAGE = Path(__file__).parent.parent / "docs" / "timing.md"
SHOWN = dict(re.findall(r"^### ([^\n]*)\n\n```text\n(.*?)\n```$", PAGE.read_text(), re.M | re.S))
DRAWN = diagrams()


def test_every_diagram_has_its_place() -> None:
    assert list(SHOWN) and set(SHOWN) == set(DRAWN)


@pytest.mark.parametrize("title", DRAWN)
def test_a_diagram_is_what_a_trace_draws_now(title: str) -> None:
    """The edges themselves are held against UM0080 in test_published_trace.py."""
    assert SHOWN[title] == DRAWN[title]
