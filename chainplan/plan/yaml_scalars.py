"""What a plain scalar means by the core schema of YAML 1.2.2, chapter 10.3: text, number, truth, nothing."""

from __future__ import annotations

import math
import re

MAX_DIGITS = 30  # of a whole number; the largest quantity in its smallest tick has fewer

# YAML 1.2.2, 10.3.2, core schema tag resolution.
_NULL = frozenset({"", "~", "null", "Null", "NULL"})
_BOOL = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}
_INT = re.compile("[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
_MAY_RESOLVE = frozenset("+-.0123456789tTfF")  # the first letters of all of these but null


class UnreadableError(ValueError):
    """A plain scalar in the form of a number that a plan cannot use; args: message and what is expected."""


def resolved(text: str) -> str | int | float | bool | None:
    """Return the value of a plain scalar; raises UnreadableError."""
    if text in _NULL:
        return None
    if text[0] not in _MAY_RESOLVE:
        return text
    if text in _BOOL:
        return _BOOL[text]
    if _INT.fullmatch(text):
        if len(text.lstrip("+-")) > MAX_DIGITS:
            raise UnreadableError("this whole number is too long", f"at most {MAX_DIGITS} digits")
        return int(text, {"0o": 8, "0x": 16}.get(text[:2], 10))
    if _NOT_FINITE.fullmatch(text):
        raise UnreadableError("not a finite number", "a number, or quotes around a text")
    return _finite(text) if _FLOAT.fullmatch(text) else text


def resolves_to_itself(text: str) -> bool:
    """Tell whether a plain scalar is read as the text it is, not as a number, a truth value or nothing."""
    try:
        return resolved(text) == text
    except UnreadableError:
        return False


def _finite(text: str) -> float:
    """Return the number; raises UnreadableError where a binary double cannot hold it."""
    number = float(text)
    if math.isinf(number):
        raise UnreadableError("not a finite number: it is too large", "a number below 1.7e308")
    if number == 0 and re.split("[eE]", text)[0].strip("+-.0"):
        raise UnreadableError("this number is too close to zero", "0, or a number above 2.3e-308")
    return number
