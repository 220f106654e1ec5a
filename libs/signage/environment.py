"""The template environment every service writes its pages with. Never renders a value that was not given."""

from collections.abc import Sequence
from pathlib import Path

from jinja2 import ChoiceLoader, Environment, FileSystemLoader, PackageLoader, PrefixLoader, StrictUndefined

from signage.chart import cylinder, fill_curve
from signage.icons import icon
from signage.shelf import asset


def environment(template_dirs: Sequence[Path]) -> Environment:
    """Templates from the given folders, and this package's own under the name `signage/`."""
    loader = ChoiceLoader(
        [
            FileSystemLoader(list(template_dirs)),
            PrefixLoader({"signage": PackageLoader("signage", "templates")}),
        ]
    )
    made = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    made.globals.update(icon=icon, asset=asset, ago=ago, cylinder=cylinder, fill_curve=fill_curve)
    return made


def ago(since_ms: int, now_ms: int) -> str:
    """An age in words. The script writes the same words as time goes on."""
    seconds = max(0, (now_ms - since_ms) // 1000)
    if seconds < 60:
        return f"{seconds} s ago"
    if seconds < 3600:
        return f"{seconds // 60} min ago"
    if seconds < 172_800:
        return f"{seconds // 3600} h ago"
    return f"{seconds // 86_400} days ago"
