"""The signs of the shop: type, colour, shape, icons and the one small script, shared by every service's pages.

Owns how a state looks. Never knows a cylinder, a rule or a database: it is handed words and numbers and shows them.
"""

from signage.environment import environment
from signage.frame import Check, Chip, Link, Mast, Plate, Rail, Rating, Stage, stages
from signage.guard import guard
from signage.icons import icon
from signage.shelf import asset, install

__all__ = [
    "Check",
    "Chip",
    "Link",
    "Mast",
    "Plate",
    "Rail",
    "Rating",
    "Stage",
    "asset",
    "environment",
    "guard",
    "icon",
    "install",
    "stages",
]
