"""How deep a JSON text is nested, told before a reader recurses into it."""

from __future__ import annotations

import re

# Matches whatever follows a quote, so that a text that is cut anywhere is looked at once.
_STRINGS = re.compile(r'"(?:[^"\\]|\\.)*"?', re.DOTALL)
_BRACKETS = re.compile(r"[\[\]{}]")


def is_nested_deeper(text: str, most: int) -> bool:
    """Whether a JSON text has more than so many levels of lists and objects.

    Examples
    --------
    >>> is_nested_deeper('{"a": ["[[["]}', 2), is_nested_deeper('{"a": [[]]}', 2)
    (False, True)
    """
    if text.count("[") + text.count("{") <= most:
        return False
    depth = 0
    for bracket in _BRACKETS.findall(_STRINGS.sub("", text)):
        depth += 1 if bracket in "[{" else -1
        if depth > most:
            return True
    return False
