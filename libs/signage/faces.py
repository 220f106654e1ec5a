"""The three type families, read from the installed font packages. Never a copy of a font inside this project.

Legible sets words. Gauge sets every digit inside them: its range is the ten digits only and it comes first in the
stack, because the plain zero of Gauge still reads as a zero when blurred while a slashed zero reads as an eight.
Stamp sets serial numbers, where zero and O must differ, with the slashed zero switched on.
"""

from dataclasses import dataclass
from pathlib import Path

import fontpkg


@dataclass(frozen=True)
class Face:
    """One font file and how the style sheet calls it."""

    family: str
    package_family: str
    package_weight: int
    css_weight: str
    digits_only: bool = False

    @property
    def name(self) -> str:
        return f"{self.family.lower()}-{self.package_weight}.ttf"

    @property
    def path(self) -> Path:
        return Path(fontpkg.path(self.package_family, self.package_weight))


# Gauge stands one weight heavier than its label: beside Legible Regular, Barlow Regular looks thin.
FACES = (
    Face("Legible", "Atkinson Hyperlegible", 400, "400"),
    Face("Legible", "Atkinson Hyperlegible", 700, "600 900"),
    Face("Gauge", "Barlow", 500, "400", digits_only=True),
    Face("Gauge", "Barlow", 700, "600 700", digits_only=True),
    Face("Gauge", "Barlow", 800, "800 900", digits_only=True),
    Face("Stamp", "IBM Plex Mono", 500, "400 900"),
)


def face_rule(face: Face, url: str) -> str:
    """The @font-face rule for one face at one address."""
    digits = " unicode-range: U+30-39;" if face.digits_only else ""
    return (
        f'@font-face {{ font-family: "{face.family}"; font-weight: {face.css_weight}; font-display: swap;'
        f' src: url("{url}") format("truetype");{digits} }}\n'
    )
