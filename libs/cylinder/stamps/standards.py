"""The UN symbol, the standard behind it, and who approved it; European and British standards of older cylinders.

Owns which standards are known. Must never call a standard by a part that was not stamped.
"""

from __future__ import annotations

import re
from typing import Final

from cylinder.near import skeleton, slips
from cylinder.stamps.typed import ALONE_AFTER, ALONE_BEFORE, DIGIT, Typed, is_figures

# 49 CFR 178.71, 2015 edition, for UN cylinders; parts 4 are from memory.
_ISO_PARTS: Final = {"7866": "", "9809": "1234", "11118": "", "11119": "1234"}
# From memory: steel 1964, aluminium 1975, composite 12245 and 12257.
_EN_PARTS: Final = {"1964": "123", "1975": "", "12245": "", "12257": ""}

_UN: Final = re.compile(ALONE_BEFORE + r"U[ ./]?N(?=[^A-Z0-9]|I[S5]|$)")
_ISO: Final = re.compile(
    rf"(?:(?:BS\s?)?EN[ \-]*)?(?:{ALONE_BEFORE}|(?<=UN))(?P<iso>[I1L][S5][O0QD])[ \-.:]*(?P<number>{DIGIT}{{3,6}})"
    r"(?:\s?[\-/.]\s?(?P<part>[0-9]))?(?P<edition>:(?:19|20)[0-9]{2})?" + ALONE_AFTER
)
_EN: Final = re.compile(
    rf"{ALONE_BEFORE}(?:BS\s?)?EN[ \-.]*(?P<number>1964|1975|12245|12257)(?:\s?[\-/.]\s?(?P<part>[0-9]))?"
    r"(?P<edition>:(?:19|20)[0-9]{2})?" + ALONE_AFTER
)
_BS: Final = re.compile(
    ALONE_BEFORE + r"BS[ \-]*5045(?:\s?[\-/]\s?(?P<part>[0-9]))?(?:/[A-Z0-9]{1,3})*" + ALONE_AFTER
)
_UK: Final = re.compile(ALONE_BEFORE + r"(?P<name>HOAL|HOS|HOT)(?:[ \-]?(?P<part>[1-4]))?" + ALONE_AFTER)

# Distinguishing signs of vehicles in international traffic, as UN marks use them (from memory), without the rarest.
_COUNTRIES: Final = (
    *(
        "AUS",
        "USA",
        "CAN",
        "CDN",
        "FIN",
        "IND",
        "IRL",
        "MEX",
        "NZ",
        "ROK",
        "RUS",
        "SGP",
        "SLO",
        "ZA",
        "CN",
        "RC",
    ),
    *("BR", "CH", "CZ", "DK", "GB", "UK", "GR", "IL", "NL", "PL", "RO", "SK", "TR", "MY", "TH"),
    *("A", "B", "D", "E", "F", "H", "I", "J", "L", "N", "P", "S", "T"),
)
_APPROVAL: Final = re.compile(
    rf"{ALONE_BEFORE}(?P<country>{'|'.join(_COUNTRIES)})\s?/\s?(?P<number>[A-Z]{{0,2}}[0-9]{{2,6}})(?![A-Z0-9/])"
)
_COUNTRY: Final = re.compile(
    rf"{ALONE_BEFORE}(?P<country>{'|'.join(one for one in _COUNTRIES if len(one) > 1)}){ALONE_AFTER}"
)


def read_standards(typed: Typed) -> tuple[bool, tuple[str, ...]]:
    """Whether the UN symbol stands there, and the standards, each with its part."""
    is_un = False
    names = [name for found in typed.find(_ISO) if (name := _read_iso(typed, found))]
    for found in typed.find(_UN):
        is_un = True
        typed.take(*found.span(), "specification")
    for found in typed.find(_EN):
        names.append(_named(typed, f"EN {found['number']}", found["part"], _EN_PARTS[found["number"]], found))
    for found in typed.find(_BS):
        names.append(_named(typed, "BS 5045", found["part"], None, found))
    for found in typed.find(_UK):
        names.append(f"{found['name']} {found['part'] or ''}".strip())
        typed.take(*found.span(), "specification")
    return is_un, tuple(dict.fromkeys(names))


def read_approval(typed: Typed) -> tuple[str, str]:
    """The approval, as "USA/M0000", and the country it was made in. Only for a shoulder with a standard on it."""
    approval = country = ""
    for found in typed.find(_APPROVAL):
        approval = approval or f"{found['country']}/{found['number']}"
        typed.take(*found.span())
    for found in typed.find(_COUNTRY):
        country = country or found["country"]
        typed.take(*found.span())
    return approval, country


def _read_iso(typed: Typed, found: re.Match[str]) -> str:
    written = found["number"]
    if not is_figures(written, least=3):
        return ""
    typed.misread(found.start("iso"), found["iso"], "ISO", "specification")
    number = typed.figures(found.span("number"), "specification")
    part = found["part"] or ""
    glued = number[:-1]
    if number not in _ISO_PARTS and not part and number[-1] in _ISO_PARTS.get(glued, ""):
        part, number = number[-1], glued
        words = f"Read as ISO {number}-{part}: a dash parts the number and the part."
        typed.remark("standard.glued", "hold", "specification", words, found.span("number"))
    if number not in _ISO_PARTS:
        near = tuple(f"ISO {one}" for one in _ISO_PARTS if skeleton(one) in slips(number))
        words = f"ISO {number} is no standard known here for a cylinder."
        typed.remark("standard.unknown", "refuse", "specification", words, found.span(), alternatives=near)
        typed.take(*found.span())
        return ""
    return _named(typed, f"ISO {number}", part, _ISO_PARTS[number], found)


def _named(typed: Typed, name: str, part: str | None, parts: str | None, found: re.Match[str]) -> str:
    if parts and not part:
        words = f"{name} has parts, and the part is missing."
        alternatives = tuple(f"{name}-{one}" for one in parts)
        typed.remark("standard.part", "hold", "specification", words, found.span(), alternatives=alternatives)
    elif part and parts is not None and part not in parts:
        words = f"{name} has no part {part} known here."
        alternatives = tuple(f"{name}-{one}" for one in parts)
        typed.remark(
            "standard.part", "refuse", "specification", words, found.span(), alternatives=alternatives
        )
    if "edition" in found.re.groupindex and found["edition"]:
        words = f"The edition {found['edition'][1:]} of the standard is not kept."
        typed.remark("standard.edition", "tell", "specification", words, found.span("edition"))
    typed.take(*found.span(), "specification")
    if not part:
        return name
    return f"{name}/{part}" if name.startswith("BS") else f"{name}-{part}"
