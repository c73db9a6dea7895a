"""README and examples say what the code says: the table of keys, the exit codes, the pages beside them.

Run as a script, this file rewrites the table of keys in examples/plan-keys.md.
"""

import re
from pathlib import Path

from planner.ledger import Exit
from planner.plan import field_rows

README = Path(__file__).parents[1] / "README.md"
KEYS = README.parent / "examples" / "plan-keys.md"
CHANGELOG = README.parent / "examples" / "changelog.md"
START, END = "<!-- plan table -->\n", "<!-- end of plan table -->"


def table() -> str:
    rows = ["| key | type | default | meaning | why this default |", "|---|---|---|---|---|"]
    for row in field_rows():
        cells = (f"`{row.key}`", row.kind, row.default, row.what, row.why)
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(rows) + "\n"


def with_table(text: str) -> str:
    before, rest = text.split(START)
    return before + START + table() + END + rest.split(END)[1]


def test_every_key_stands_in_the_table():
    text = KEYS.read_text(encoding="utf-8")
    assert with_table(text) == text, "the table of keys is old: run `python tests/test_readme.py`"


def test_every_key_has_meaning_and_reason():
    for row in field_rows():
        assert row.what, row.key
        assert row.why or row.default == "required", row.key


def test_exit_codes_are_documented():
    text = README.read_text(encoding="utf-8")
    said = {int(code) for code in re.findall(r"^\| (\d+) \|", text, flags=re.M)}
    assert said == {int(code) for code in Exit}


def test_every_page_that_is_linked_is_there():
    pages = [README, *sorted((README.parent / "examples").glob("*.md"))]
    for page in pages:
        for target in re.findall(r"\]\((?!https?:)([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_the_readme_takes_two_minutes():
    """Up to the terms: 238 words a minute are read silently (Brysbaert 2019, from memory); tables are looked up."""
    text = README.read_text(encoding="utf-8")
    read = text[: text.index("## Terms")]
    prose = [line for line in read.splitlines() if line and not line.startswith(("|", "!", "```"))]
    assert len(" ".join(prose).split()) < 2 * 238


def test_the_changelog_has_a_page_of_its_own():
    """It grew to half of the README; one line leads to it, and it names the version that is installed."""
    assert README.read_text(encoding="utf-8").count("](examples/changelog.md)") == 1
    assert "changelog\n" not in README.read_text(encoding="utf-8").lower()
    version = re.search(r'^version = "(.+)"', (README.parent / "pyproject.toml").read_text(encoding="utf-8"), re.M)
    headings = re.findall(r"^## (.+)", CHANGELOG.read_text(encoding="utf-8"), re.M)
    assert headings[0] == "Unreleased" or headings[0] == version[1]
    assert version[1] in headings


def test_the_first_paragraph_states_the_job():
    first = README.read_text(encoding="utf-8").split("\n\n")[1]
    assert "sensor" in first
    assert "climate zone" in first


def test_top_level_holds_nothing_else():
    """What is tracked at the top: the rooms of the house, dot-files and the licence."""
    import subprocess

    top = README.parent
    if not (top / ".git").exists():
        names = set()
    else:
        listed = subprocess.run(["git", "ls-files"], cwd=top, capture_output=True, text=True, check=True).stdout
        names = {line.split("/")[0] for line in listed.splitlines()}
    allowed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE",
        "planner", "data", "tests", "maps", "examples",
    }  # fmt: skip
    assert {n for n in names if not n.startswith(".")} <= allowed


if __name__ == "__main__":
    KEYS.write_text(with_table(KEYS.read_text(encoding="utf-8")), encoding="utf-8")
