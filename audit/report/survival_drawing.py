"""Survival and success over the years as steps, labelled at their ends: they place what was computed elsewhere."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
import vl_convert

from audit.report.sheet import Drawing

__all__ = ["survival_drawing"]

_INK, _QUIET, _GRID = "#22303a", "#5d6b75", "#e6eaec"
_STYLES = {"in place": ("#1b5e8a", [1, 0]), "nothing had to be done": ("#b35900", [6, 3])}


def survival_drawing(in_place: pd.DataFrame, success: pd.DataFrame) -> Drawing:
    """Both curves, told apart by dash, colour and label.

    Parameters
    ----------
    in_place, success : DataFrame
        ``years`` and ``survival``, ascending, beginning at 0 and ending where the last restoration was followed to.
    """
    curves = dict(zip(_STYLES, (in_place, success), strict=True))
    rows = [{"years": float(r["years"]), "share": 100 * float(r["survival"]), "curve": name}
            for name, curve in curves.items() for r in curve.to_dict("records")]  # fmt: skip
    longest = max(float(curve["years"].iloc[-1]) for curve in curves.values())
    layers = [layer for name in curves for layer in _layers(name)]
    spec: dict[str, Any] = {
        "width": 520, "height": 190, "data": {"values": rows}, "layer": layers, "background": "white",
        "encoding": {
            "x": {"field": "years", "type": "quantitative", "title": "years since placement", "scale": {"domain": [0, longest * 1.3]},
                  "axis": {"grid": False, "values": [y for y in (0, 1, 2, 3, 5, 7, 10, 15, 20, 25, 30, 40) if y <= longest]}},
            "y": {"field": "share", "type": "quantitative", "title": "% of restorations", "scale": {"domain": [0, 100]}},
        },
        "config": {"font": "Libertinus Serif", "view": {"stroke": None},
                   "axis": {"labelFontSize": 11.5, "titleFontSize": 11.5, "titleFontWeight": "normal", "labelColor": _QUIET,
                            "titleColor": _QUIET, "gridColor": _GRID, "domainColor": _QUIET, "tickColor": _QUIET}},
    }  # fmt: skip
    ends = "; ".join(f"{name}: {100 * float(curve['survival'].iloc[-1]):.0f} % at {float(curve['years'].iloc[-1]):.1f} years"
                     for name, curve in curves.items())  # fmt: skip
    return Drawing(vl_convert.vegalite_to_svg(json.dumps(spec)), f"Survival by Kaplan-Meier over {longest:.1f} years. {ends}.")


def _layers(name: str) -> list[dict[str, Any]]:
    colour, dash = _STYLES[name]
    above = name == "in place"
    only = [{"filter": {"field": "curve", "equal": name}}]
    last = [*only, {"window": [{"op": "row_number", "as": "place"}], "sort": [{"field": "years", "order": "descending"}]},
            {"filter": {"field": "place", "equal": 1}}]  # fmt: skip
    label = {"type": "text", "align": "left", "dx": 6, "dy": -7 if above else 9, "fontSize": 11.5, "color": colour}
    return [
        {"transform": only, "mark": {"type": "line", "interpolate": "step-after", "strokeWidth": 2, "color": colour, "strokeDash": dash}},
        {"transform": last, "mark": label, "encoding": {"text": {"value": name}}},
    ]
