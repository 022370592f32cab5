"""What a telephone number looks like that a person can dial from a sheet of paper."""

from __future__ import annotations

import re

_DIALABLE = re.compile(r"\+?[0-9(][0-9 ()./-]*[0-9](?: ?(?:x|ext\.?|#) ?[0-9]+)?")


def can_be_dialed(number: str) -> bool:
    """Tell whether somebody can dial a number as it is written.

    Digits, spaces, hyphens, points and brackets, + in front, an extension as x12; three digits or more (911),
    and no more than twenty: 15 of ITU-T E.164 and an extension.
    """
    digits = sum(letter.isdigit() for letter in number)
    return 3 <= digits <= 20 and _DIALABLE.fullmatch(number) is not None
