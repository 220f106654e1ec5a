"""The pages for people name only what exists: files, functions, commands, tests, make targets, metrics.

What stands between backticks is looked up; prose is not judged. The glossary knows every family of facts, and every
line of a rulebook says where it comes from.
"""

import importlib
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
import typer.main
import yaml

from cylinder.facts import KINDS
from eventlog.chain import LOG_OPENED
from rulebook.lines import KINDS as LINE_KINDS

ROOT = Path(__file__).resolve().parents[2]
PAGES = sorted(
    [ROOT / "README.md", ROOT / "DEVELOPERS.md", *ROOT.glob("infra/*.md"), *ROOT.glob("infra/decisions/*.md")]
)
PACKAGES = {
    path.name for folder in ("libs", "services") for path in (ROOT / folder).iterdir() if path.is_dir()
}
SERVICES = ("branch", "network", "receipts")
DATA_FILES = (".sqlite", ".sqlite3", ".key", ".toml", ".json")
FOLDERS = ("tests/", "libs/", "services/", "infra/", "demo_data/", "docs/")
TARGETS = set(re.findall(r"^([a-z-]+):.*## ", (ROOT / "Makefile").read_text(), re.MULTILINE))
TESTS = "\n".join(path.read_text() for path in (ROOT / "tests").rglob("test_*.py"))
PROGRAMS = "\n".join(path.read_text() for path in (ROOT / "services").rglob("*.py"))
STORED_KINDS = {kind for kind, _ in KINDS} | {LOG_OPENED, "node.enrolled"}


def missing(text: str) -> Iterator[str]:
    """Each thing that a page names and that does not exist."""
    fenced = "\n".join(re.findall(r"^```sh\n(.*?)^```", text, re.MULTILINE | re.DOTALL))
    inline = re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL))
    for token in [*inline, *re.findall(r"\b(?:make|filltrail) [a-z][a-z -]*", fenced)]:
        if not _exists(token.strip()):
            yield token
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        if "://" not in target and not any((place / target).exists() for place in (ROOT, ROOT / "infra")):
            yield f"link to {target}"


def _exists(token: str) -> bool:
    words = token.split()
    if words[0] == "make" and len(words) > 1:
        return words[1] in TARGETS
    if words[0] == "filltrail" and len(words) > 1:
        return _is_command(words[1:])
    for path in (word for word in words if word.startswith(FOLDERS)):
        if not any(ROOT.glob(path.rstrip("/"))):
            return False
    if re.fullmatch(r"test_[a-z0-9_]+", token):
        return f"def {token}(" in TESTS
    if (
        re.fullmatch(r"[a-z_]+(\.[A-Za-z_]+)+", token)
        and token.partition(".")[0] in PACKAGES
        and not token.endswith(DATA_FILES)
    ):
        return token in STORED_KINDS or _is_importable(token)
    if re.fullmatch(r"filltrail_[a-z_]+", token):
        return _is_metric(token)
    return True


def _is_importable(dotted: str) -> bool:
    names = dotted.split(".")
    for length in range(len(names), 0, -1):
        try:
            found: object = importlib.import_module(".".join(names[:length]))
        except ModuleNotFoundError:
            continue
        for name in names[length:]:
            # A field of a dataclass is no attribute of the class, but it is annotated there.
            if not hasattr(found, name):
                return name in getattr(found, "__annotations__", {})
            found = getattr(found, name)
        return True
    return False


def _is_command(words: list[str]) -> bool:
    """A service's command, such as `network verify`, or one of the console command's own."""
    is_of_service = words[0] in SERVICES and len(words) > 1 and re.fullmatch(r"[a-z-]+", words[1]) is not None
    program, wanted = (words[0], words[1]) if is_of_service else ("filltrail", words[0])
    module = importlib.import_module(f"{program}.__main__")
    apps = [found for found in vars(module).values() if isinstance(found, typer.Typer)]
    return any(wanted in getattr(typer.main.get_command(app), "commands", {}) for app in apps)


def _is_metric(name: str) -> bool:
    return f'"{name.removesuffix("_total")}"' in PROGRAMS


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_a_page_names_only_what_exists(page: Path) -> None:
    assert list(missing(page.read_text())) == []


@pytest.mark.parametrize(
    "planted",
    [
        "`tests/cylinder/test_never.py`",
        "`services/branch/nowhere/`",
        "`branch.desk.Desk.guess`",
        "`cylinder.decide.fill.improvise`",
        "`test_that_nobody_wrote`",
        "`make coffee`",
        "`filltrail network brew`",
        "`filltrail juggle`",
        "`filltrail_cups_of_tea`",
        "[a page](infra/nothing.md)",
        "```sh\nmake coffee\n```",
    ],
)
def test_what_does_not_exist_is_found(planted: str) -> None:
    assert list(missing(f"Some words, and then\n{planted}\n")) != []


def test_the_glossary_knows_every_family_of_facts() -> None:
    glossary = (ROOT / "DEVELOPERS.md").read_text().partition("## Glossary")[2].partition("\n## ")[0]
    families = {kind.partition(".")[0] for kind in STORED_KINDS}

    assert {family for family in families if f"| **{family}** |" not in glossary} == set()
    assert {family for family in families if f"`{family}.*`" not in glossary} == set()


def test_every_layer_has_its_line_in_the_table() -> None:
    table = (ROOT / "DEVELOPERS.md").read_text().partition("## The dependency rule")[2].partition("\n## ")[0]
    parts = [path for folder in ("libs", "services") for path in (ROOT / folder).iterdir() if path.is_dir()]

    assert [part.name for part in parts if f"`{part.relative_to(ROOT)}`" not in table] == []


@pytest.mark.parametrize(
    "pack", sorted(ROOT.glob("libs/rulebook/packs/**/*.toml")), ids=lambda pack: pack.name
)
def test_every_line_of_a_rulebook_says_where_it_comes_from(pack: Path) -> None:
    document = tomllib.loads(pack.read_text())
    lines = [line for kind in LINE_KINDS for line in document.get(kind, [])]
    bare = [
        line.get("id")
        for line in lines
        if not all(str(line.get(field, "")).strip() for field in ("source", "clause", "edition", "standing"))
    ]

    assert lines
    assert bare == []


def test_every_decision_says_what_enforces_it() -> None:
    decisions = sorted(ROOT.glob("infra/decisions/*.md"))
    parts = ("**Context.**", "**Decision.**", "**Consequences.**", "**Enforced by**")

    assert len(decisions) > 0
    assert [page.name for page in decisions if not all(part in page.read_text() for part in parts)] == []


def test_every_alert_asks_for_a_metric_that_some_program_counts() -> None:
    groups = yaml.safe_load((ROOT / "infra" / "alerts.yml").read_text())["groups"]
    rules = [rule for group in groups for rule in group["rules"]]
    asked = {name for rule in rules for name in re.findall(r"\bfilltrail_[a-z_]+", rule["expr"])}

    assert len(asked) > 0
    assert {name for name in asked if not _is_metric(name)} == set()
    assert all(
        re.fullmatch(r"[A-Z][A-Za-z]+", rule["alert"]) and rule["annotations"]["summary"] for rule in rules
    )


def test_every_picture_has_words_for_who_cannot_see_it() -> None:
    pictures = re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", (ROOT / "README.md").read_text())

    assert len(pictures) > 0
    for words, file in pictures:
        assert len(words) > 20
        assert (ROOT / file).stat().st_size <= 150 * 1024
