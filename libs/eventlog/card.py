"""What may stand on a diver's card: an address that mail can be sent to, a number, one printable line. Pure.

The counter, the vault, the mail and the door by which a shop joins ask the same three questions, so that what one of
them takes none of the others refuses. Must never know where a card comes from or say what was on it.
"""

from __future__ import annotations

import re
import unicodedata

LONGEST_ADDRESS = 254  # RFC 5321, 4.5.3.1.3: a path of 256 octets, less its two angle brackets
LONGEST_LOCAL_PART = 64  # RFC 5321, 4.5.3.1.1

# Narrower than RFC 5322 on purpose: no quoting, no comments, no spaces, ASCII alone. What does not match is asked
# for again at the counter; what matches can go into a header and an SMTP command as it is.
_ATOM = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_ADDRESS = re.compile(rf"({_ATOM}(?:\.{_ATOM})*)@(?:{_LABEL}\.)+{_LABEL}", re.ASCII)
_PHONE = re.compile(r"\+?[0-9(][0-9 ()./-]{2,38}", re.ASCII)
_FEWEST_DIGITS = 3


def is_address(text: str) -> bool:
    """Whether mail can be sent there, as far as the signs go."""
    found = _ADDRESS.fullmatch(text)
    return found is not None and len(text) <= LONGEST_ADDRESS and len(found[1]) <= LONGEST_LOCAL_PART


def is_phone(text: str) -> bool:
    """Whether this is a telephone number: "+47 912 34 567", "(305) 555-0100"."""
    return _PHONE.fullmatch(text) is not None and sum(sign.isdigit() for sign in text) >= _FEWEST_DIGITS


def has_hidden_signs(text: str) -> bool:
    """CR, LF, NUL and the other control signs, U+0085, line and paragraph separators, marks that turn text round."""
    return any(unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp") for sign in text)
