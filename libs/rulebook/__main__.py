"""Writes the page of all jurisdictions to standard output: `python -m rulebook > infra/rulebook.md`."""

import sys

from rulebook.listing import as_page
from rulebook.reading import jurisdictions, load

sys.stdout.write(as_page(tuple(load(name) for name in jurisdictions())))
