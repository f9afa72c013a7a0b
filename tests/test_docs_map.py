"""The map of the pages: every page is on it, every link of every page leads somewhere."""
from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]
LINK = re.compile(r"\]\(([^)#\s]+)[^)]*\)")


def links(page: Path) -> list[Path]:
    found = LINK.findall(page.read_text())
    return [(page.parent / link).resolve() for link in found if "://" not in link]


def test_every_page_is_on_the_map() -> None:
    missing = set(DOCS.glob("*.md")) - {*links(DOCS / "README.md"), DOCS / "README.md"}
    assert not missing, f"docs/README.md has no line for {sorted(p.name for p in missing)}"


def test_the_readme_leads_to_the_map_and_the_tutorial() -> None:
    assert {DOCS / "README.md", DOCS / "tutorial.md"} <= set(links(ROOT / "README.md"))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_leads_somewhere(page: Path) -> None:
    missing = [path for path in links(page) if not path.exists()]
    assert not missing


def test_the_readme_says_where_to_stand_before_its_first_command() -> None:
    before = (ROOT / "README.md").read_text().partition("<!-- main command -->")[0]
    assert "Stand in the clone" in before.rpartition("## Try it")[2]
