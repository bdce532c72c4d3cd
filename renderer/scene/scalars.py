"""Plain YAML scalars, read so that no two programs can disagree about them.

YAML 1.1 and 1.2 read ``010``, ``1e-3``, ``12:30``, ``on`` or ``1_000`` differently. Such a scalar
is not guessed at: it is reported, with what to write in its place.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal

Scalar = str | int | float | bool

MAX_MAGNITUDE = 1e12
MIN_MAGNITUDE = 1e-12
MAX_TEXT = 2000

# Beside control characters also the three that end a line for some programs only.
UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_LINE_BREAK = re.compile("[\n\r]")

_INTEGER = re.compile(r"[-+]?(?:0|[1-9][0-9]*)")
_DECIMAL = re.compile(r"[-+]?(?:(?:0|[1-9][0-9]*)\.[0-9]*|\.[0-9]+)(?:[eE][-+][0-9]+)?")
_TRUE = ("true", "True", "TRUE")
_FALSE = ("false", "False", "FALSE")
_EMPTY = ("", "~", "null", "Null", "NULL")
_SWITCH = re.compile(r"yes|no|on|off", re.IGNORECASE)
_EXPONENT = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)[eE][-+]?[0-9]+")
_LEADING_ZERO = re.compile(r"[-+]?0[0-9]+(?:\.[0-9]*)?(?:[eE][-+]?[0-9]+)?")
_OTHER_BASE = re.compile(r"[-+]?0[xob][0-9a-fA-F_]+")
_UNDERSCORE = re.compile(r"[-+]?\.?[0-9][0-9_.]*_[0-9_.]*(?:[eE][-+]?[0-9]+)?")
_SEXAGESIMAL = re.compile(r"[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+(?:\.[0-9_]*)?")
_DATE = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}(?:[Tt ].*)?")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|nan)", re.IGNORECASE)

_TRAPS = (
    (_SWITCH, "is read as true or false by some programs. Write true or false, or put a text in quotes"),
    (_LEADING_ZERO, "is read as an octal number by some programs. Write it without the leading zero"),
    (_OTHER_BASE, "is a number in another base. Write a decimal number"),
    (_UNDERSCORE, "is read with and without its underscores. Write the digits alone"),
    (
        _SEXAGESIMAL,
        "is read as a number to base 60 by some programs. Write a decimal number, or put a text in quotes",
    ),
    (_DATE, "is read as a date by some programs. Put a text in quotes"),
    (_NOT_FINITE, "is not a finite number"),
)


def read_scalar(text: str) -> tuple[Scalar | None, str]:
    """The value of a plain scalar, and what is wrong with it (empty where nothing is)."""
    if text in _EMPTY:
        return None, "has no value. Write one, or leave the key out"
    if text in _TRUE or text in _FALSE:
        return text in _TRUE, ""
    if _INTEGER.fullmatch(text) or _DECIMAL.fullmatch(text):
        return _number(text)
    if text_fault(text):
        return None, text_fault(text)
    if _EXPONENT.fullmatch(text) and not _LEADING_ZERO.fullmatch(text):
        return None, f"'{text[:40]}' is read as a text by some programs. {_written_out(text)}"
    for pattern, complaint in _TRAPS:
        if pattern.fullmatch(text):
            return None, f"'{text[:40]}' {complaint}"
    return text, ""


def text_fault(text: str) -> str:
    """What is wrong with a text, wherever it stands: its length, its characters, or several lines."""
    if len(text) > MAX_TEXT:
        return f"is a text of {len(text)} characters; at most {MAX_TEXT} are allowed"
    bad = UNPRINTABLE.search(text)
    if bad is not None:
        return f"holds the character U+{ord(bad.group()):04X}, which is not allowed"
    return "is a text of several lines; one line is wanted" if _LINE_BREAK.search(text) else ""


def number_fault(value: float) -> str:
    """What is wrong with a number before its key is looked at: not finite, or absurd."""
    if isinstance(value, float) and not math.isfinite(value):
        return "is not a finite number"
    if abs(value) > MAX_MAGNITUDE:
        return "is absurdly large"
    if value != 0 and abs(value) < MIN_MAGNITUDE:
        return "is absurdly small"
    return ""


def _number(text: str) -> tuple[Scalar | None, str]:
    if len(text) > 40:
        return None, f"is a number of {len(text)} characters; at most 40 are allowed"
    value = int(text) if _INTEGER.fullmatch(text) else float(text)
    fault = number_fault(value)
    return (None, f"{text} {fault}") if fault else (value, "")


def _written_out(text: str) -> str:
    number = Decimal(text) if len(text) <= 40 else Decimal("Infinity")
    if number.is_finite() and abs(number.adjusted()) <= 12:
        return f"Write {number.normalize():f}"
    return "Write the number out"
