"""The faces of the label, out of the installed font packages: one plain-zero face in three weights, and the stamp face for serials.

In the stamp face the zero is swapped for its slashed form, once, in a copy that lies in a folder of this process.
"""

from __future__ import annotations

import tempfile
from functools import lru_cache
from pathlib import Path

import fontpkg
from fontTools.ttLib import TTFont

from branch.label import FaceName

_PLAIN: dict[FaceName, int] = {"heavy": 800, "bold": 700, "plain": 500}
_SLASHED = "zero.alt01"


@lru_cache(maxsize=8)
def face_path(face: FaceName) -> Path:
    """The font file of a face."""
    if face in _PLAIN:
        return Path(fontpkg.path("Barlow", _PLAIN[face]))
    return _slashed(Path(fontpkg.path("IBM Plex Mono", 500)))


def _slashed(font: Path) -> Path:
    """The same font with the slashed zero where the plain one was."""
    with TTFont(font) as opened:
        if _SLASHED in opened.getGlyphOrder():
            for table in opened["cmap"].tables:
                if table.isUnicode() and ord("0") in table.cmap:
                    table.cmap[ord("0")] = _SLASHED
        path = Path(_folder().name) / font.name
        opened.save(path)
    return path


@lru_cache(maxsize=1)
def _folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="filltrail-label-")
