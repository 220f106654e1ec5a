"""The stamps on a cylinder's shoulder, read from what a person types.

Knows the forms of marks, not the law that follows from them: whether a cylinder may be filled is the rulebook's. Pure.
"""

from cylinder.stamps.canonical import canonical
from cylinder.stamps.reader import read_stamps
from cylinder.stamps.reading import DateMark, PermitMark, Reading, Remark, SpecificationMark, Stamps

__all__ = [
    "DateMark",
    "PermitMark",
    "Reading",
    "Remark",
    "SpecificationMark",
    "Stamps",
    "canonical",
    "read_stamps",
]
