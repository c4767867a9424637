"""The handbook holds together: links, anchors, shelves, pictures."""

from __future__ import annotations

import re
import subprocess
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FENCE = re.compile(r"^(```|~~~).*?^\1\s*$", re.M | re.S)
LINK = re.compile(r"!?\[[^\]\n]*\]\(\s*<?([^)\s>]+)>?(?:\s+\"[^\"]*\")?\s*\)")
ELSEWHERE = re.compile(r"[a-z][a-z0-9+.-]*:")


def pages() -> list[Path]:
    """Every Markdown file that belongs to the project, also one that is not committed yet."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "*.md"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return [ROOT / name for name in listed.stdout.splitlines() if (ROOT / name).exists()]


def links(page: Path) -> list[str]:
    """Targets of the links of a page, code left out."""
    text = re.sub(r"`[^`\n]*`", "", FENCE.sub("", page.read_text()))
    return LINK.findall(text)


@cache
def anchors(page: Path) -> frozenset[str]:
    """Anchors of the headings, as the usual renderers of Markdown make them."""
    found: set[str] = set()
    for heading in re.findall(r"^#{1,6} +(.+?)\s*#*$", FENCE.sub("", page.read_text()), re.M):
        plain = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", heading).replace("`", "").replace("*", "")
        slug = re.sub(r"[^\w\- ]", "", plain.lower()).replace(" ", "-")
        n = 0
        while (name := slug if n == 0 else f"{slug}-{n}") in found:
            n += 1
        found.add(name)
    return frozenset(found)


def broken(page: Path, target: str) -> str:
    """What is wrong with a link; empty if nothing is."""
    if ELSEWHERE.match(target):
        return "" if target.startswith(("https://", "mailto:")) else "neither https nor in here"
    name, _, anchor = target.partition("#")
    file = (page.parent / name).resolve() if name else page
    if not file.is_relative_to(ROOT) or not file.exists():
        return "there is no such file"
    if anchor and (file.suffix != ".md" or anchor not in anchors(file)):
        return "there is no such heading"
    return ""


@pytest.mark.parametrize("page", pages(), ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    assert {target: why for target in links(page) if (why := broken(page, target))} == {}


def test_every_page_stands_on_a_shelf() -> None:
    home = ROOT / "docs" / "README.md"
    linked = {(home.parent / target.partition("#")[0]).resolve() for target in links(home)}
    there = {page for page in pages() if page.is_relative_to(home.parent)} - {home}
    reference = set((home.parent / "reference").glob("*"))
    assert (there | reference) - linked == set()


def test_every_picture_is_used_and_made_by_the_script() -> None:
    script = (ROOT / "docs" / "make_pictures.py").read_text()
    used = {(page.parent / target).resolve() for page in pages() for target in links(page)}
    for picture in (ROOT / "docs" / "pictures").iterdir():
        assert picture in used, picture.name
        assert picture.name in script, picture.name


def test_a_broken_link_is_found(tmp_path: Path) -> None:
    page = ROOT / "docs" / "README.md"
    assert broken(page, "nowhere.md") == "there is no such file"
    assert broken(page, "../README.md#nothing-of-the-kind") == "there is no such heading"
    assert broken(page, "#how-to") == ""
    assert broken(page, "/etc/passwd") == "there is no such file"
    assert broken(page, "http://example.com") == "neither https nor in here"
    sample = tmp_path / "sample.md"
    sample.write_text("# A `b` c!\n\n[one](x.md#y) `[no](z.md)`\n```\n[no](w.md)\n# no\n```\n# A b c\n")
    assert links(sample) == ["x.md#y"]
    assert anchors(sample) == {"a-b-c", "a-b-c-1"}
