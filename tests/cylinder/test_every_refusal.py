"""No reason to refuse is without a story: every rule id in the decisions stands in one of these tests."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from cylinder import commands as c
from cylinder import decide

STORIES = "\n".join(
    path.read_text(encoding="utf-8")
    for path in sorted(Path(__file__).parent.glob("test_*.py"))
    if path.name != Path(__file__).name
)
SOURCES = "\n".join(
    path.read_text(encoding="utf-8") for path in sorted(Path(decide.__file__).parent.glob("*.py"))
)
RULE_IDS = sorted(set(re.findall(r'Reason\(\s*(?:rule_id=)?"([a-z.-]+)"', SOURCES)))
COMMANDS = sorted(command.__name__ for command in get_args(get_args(c.Command)[0]))


def test_the_rule_ids_are_found() -> None:
    assert len(RULE_IDS) > 50


@pytest.mark.parametrize("rule_id", RULE_IDS)
def test_every_reason_to_refuse_is_in_a_story(rule_id: str) -> None:
    assert f'"{rule_id}"' in STORIES


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_made_by_the_builders_or_a_story(command: str) -> None:
    builders = (Path(__file__).parent / "given.py").read_text(encoding="utf-8")
    assert f"c.{command}(" in STORIES + builders or f"c.{command}.model_validate(" in STORIES
