"""Numbers and measurands in sentences, rounded by their uncertainty.

Notes
-----
What stands after ± is a 95 % half width. It is given two significant digits, never finer than 0.01 mm, 1 µm or 0.1 %, and the
value is rounded to the same place (JCGM 100:2008, 7.2.6).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from audit.core.vocabulary import MEASURANDS

__all__ = ["UNITS", "apart", "listed", "number", "plus_minus", "subject", "under"]

# UCUM code -> (what is shown, factor, most decimals)
UNITS = {"mm": ("mm", 1.0, 2), "mm2": ("mm²", 1.0, 2), "um": ("µm", 1.0, 0), "1": ("%", 100.0, 1), "deg": ("°", 1.0, 1)}


def plus_minus(value: float, half_width: float, unit: str, *, signed: bool = False) -> str:
    """``0.03 ± 0.10 mm``: a value and its 95 % half width, both in `unit`."""
    shown, factor, _ = _unit(unit)
    decimals = _decimals(half_width, unit)
    return f"{_fixed(value * factor, decimals, signed)} ± {_fixed(half_width * factor, decimals)} {shown}"


def apart(value: float, half_width: float, unit: str, *, signed: bool = False) -> str:
    """A difference and its 95 % half width; of two shares in percentage points."""
    words = plus_minus(value, half_width, unit, signed=signed)
    return f"{words.removesuffix('%')}percentage points" if unit == "1" else words


def number(value: float, unit: str, half_width: float) -> str:
    """A value rounded to the place of its 95 % half width, with its unit."""
    shown, factor, _ = _unit(unit)
    return f"{_fixed(value * factor, _decimals(half_width, unit))} {shown}"


def under(limit: float, unit: str) -> str:
    """``under 57 µm``: rounded up, so that the words stay true."""
    shown, factor, _ = _unit(unit)
    decimals = _decimals(limit, unit)
    place = 10.0**decimals
    return f"under {_fixed(math.ceil(limit * factor * place - 1e-9) / place, decimals)} {shown}"


def subject(measurand: str, view: str, site: str) -> str:
    """What a sentence is about, capitalised: ``Margin to gingiva, facial``."""
    words = MEASURANDS[measurand].words
    where = ", ".join(dict.fromkeys(word for word in (view.replace("_", " "), site.replace("_", " ")) if word))
    return f"{words[0].upper()}{words[1:]}, {where}"


def listed(words: Sequence[str]) -> str:
    """``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _unit(unit: str) -> tuple[str, float, int]:
    return UNITS.get(unit, (unit, 1.0, 3))


def _decimals(half_width: float, unit: str) -> int:
    _, factor, most = _unit(unit)
    size = abs(half_width) * factor
    return most if size <= 0 or not math.isfinite(size) else min(max(1 - math.floor(math.log10(size) + 1e-12), 0), most)


def _fixed(value: float, decimals: int, signed: bool = False) -> str:
    text = f"{value:{'+' if signed else ''}.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("+-")
    return text.replace("-", "−")
