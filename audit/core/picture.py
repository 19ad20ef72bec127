"""Pictures for showing, and the one language of lines that picture, legend and page share.

A picture is a resampled copy with marks on it: nothing is ever measured on one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["PENS", "Pen", "Picture"]


@dataclass(frozen=True)
class Picture:
    """A picture for a report, with its marks on a layer of their own.

    Parameters
    ----------
    jpeg : bytes
        The resampled photograph, scale bar or the words ``no scale`` included.
    overlay_png : bytes or None
        Transparent layer of the same size with the outlines; ``None`` where nothing is marked.
    width_px, height_px : int
        Of both; shown at half that size.
    px_per_mm : float or None
        Scale of the picture; ``None`` where the photo has no scale.
    view : str
        A word of the vocabulary.
    on : str
        Date of the visit.
    caption, alt : str
        The line beneath it; the same and more for who cannot see it.
    registered : bool
        Whether the tooth lies as on the first photo of the strip, by turning and shifting alone.
    """

    jpeg: bytes
    overlay_png: bytes | None
    width_px: int
    height_px: int
    px_per_mm: float | None
    view: str
    on: str
    caption: str
    alt: str
    registered: bool = False


@dataclass(frozen=True)
class Pen:
    """How one kind of mark is drawn: told apart by its dash and its doubling as well as its colour.

    Parameters
    ----------
    words : str
        For the legend.
    colour : tuple of int
        sRGB; every line has a dark edge, so it shows on gold, enamel and gum alike.
    width : float
        In picture pixels of a report tile.
    dash : tuple of float
        Lengths of mark and space in turn, picture pixels; empty for an unbroken line.
    double : bool
        Two parallel lines.
    """

    words: str
    colour: tuple[int, int, int]
    width: float
    dash: tuple[float, ...] = ()
    double: bool = False


PENS: Mapping[str, Pen] = MappingProxyType(
    {
        "facial_surface": Pen("facial surface", (255, 255, 255), 2.0),
        "occlusal_surface": Pen("occlusal surface", (255, 255, 255), 2.0),
        "metal": Pen("metal showing", (86, 200, 255), 2.5),
        "metal_proposed": Pen("metal showing, proposed by the tool", (86, 200, 255), 2.5, (14.0, 9.0)),
        "perforation": Pen("opening in the metal", (255, 130, 205), 2.5, (6.0, 8.0)),
        "gingival_margin": Pen("gingival margin", (205, 190, 255), 2.5, (22.0, 12.0)),
        "continuous": Pen("margin, continuous", (120, 235, 175), 2.5),
        "open": Pen("margin, open", (255, 140, 40), 3.0, (), True),
        "step": Pen("margin, step", (235, 150, 215), 3.5, (16.0, 8.0, 3.0, 8.0)),
        "stained": Pen("margin, stained", (250, 235, 90), 3.5, (8.0, 8.0)),
        "unassessable": Pen("margin, not assessable", (225, 225, 225), 2.5, (1.0, 9.0)),
        "margin": Pen("margin as traced", (120, 235, 175), 2.5, (10.0, 7.0)),
        "reference": Pen("reference found", (255, 255, 255), 2.0, (4.0, 4.0)),
        "fit_site": Pen("interface measured", (120, 235, 175), 2.5),
        "landmark": Pen("margin and crest points", (86, 200, 255), 2.5),
    }
)
