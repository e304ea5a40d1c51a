"""Plain words set in type: the micro sign, narrow spaces before units, text safe inside HTML."""

from __future__ import annotations

import html
import re

__all__ = ["escaped", "typeset", "verbatim"]

_THIN = "\u202f"  # narrow no-break space
_AFTER_NUMBER = re.compile(r"(?<=\d) (um|uin|mm|in|kPa|psi|min|h|g|kg|N|%)(?!\w)")
_BY = re.compile(r"(?<=\d) x (?=\d)")


def typeset(text: str) -> str:
    """The words with "um" and "uin" after a number written with the micro sign."""
    text = _BY.sub(f"{_THIN}×{_THIN}", text)
    return _AFTER_NUMBER.sub(lambda m: _THIN + m[1].replace("um", "µm").replace("uin", "µin"), text)


def escaped(text: str) -> str:
    """Text as HTML: reserved characters escaped, units set in type."""
    return html.escape(typeset(text), quote=True)


def verbatim(text: str) -> str:
    """A text that a person wrote as HTML, as it was typed."""
    return f"<pre>{html.escape(text)}</pre>"
