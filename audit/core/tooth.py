"""A tooth, with the notation it was written in stored and never guessed.

References
----------
ISO 3950 (two-digit designation). The table `teeth.csv` also holds the Universal numbers, SNOMED CT
codes and DICOM context groups (CID 4018, 4019).
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Literal

from audit.errors import RecordError

__all__ = ["NOTATIONS", "Tooth", "all_teeth"]

Notation = Literal["iso3950", "universal"]
NOTATIONS: tuple[Notation, ...] = ("iso3950", "universal")


@dataclass(frozen=True)
class Tooth:
    """One of the 52 teeth, by its ISO 3950 and Universal designations."""

    iso3950: str
    universal: str
    name: str
    snomed_ct: str

    @classmethod
    def parse(cls, text: str, notation: str | None) -> Tooth:
        """The tooth written `text` in `notation`.

        Raises
        ------
        RecordError
            No notation given (``11`` to ``28`` are teeth in both), an unknown one, or no such tooth.
        """
        if notation not in NOTATIONS:
            raise RecordError(
                f"tooth_notation must be one of {', '.join(NOTATIONS)}; got {notation or 'nothing'} for tooth {text!r}.",
                "Write the notation beside the tooth: the same number is another tooth in the other notation.",
            )
        tooth = _table(notation).get(str(text).strip().upper())
        if tooth is None:
            raise RecordError(f"tooth must be a designation of {notation}; got {text!r}.", "Check the tooth and its notation.")
        return tooth

    @property
    def quadrant(self) -> int:
        """First digit of the ISO 3950 designation."""
        return int(self.iso3950[0])

    @property
    def position(self) -> int:
        """Second digit of the ISO 3950 designation, 1 at the midline."""
        return int(self.iso3950[1])

    @property
    def is_upper(self) -> bool:
        """Whether the tooth stands in the upper jaw."""
        return self.quadrant in (1, 2, 5, 6)

    @property
    def is_molar(self) -> bool:
        """Whether it is a molar, permanent or primary."""
        return self.position >= (6 if self.quadrant <= 4 else 4)


def all_teeth() -> tuple[Tooth, ...]:
    """The 52 teeth, in the order of the table."""
    return tuple(_table("iso3950").values())


@cache
def _table(notation: Notation) -> Mapping[str, Tooth]:
    text = files("audit.core").joinpath("teeth.csv").read_text(encoding="utf-8")
    teeth = [Tooth(r["iso3950"], r["universal"], r["name"], r["sct_code"]) for r in csv.DictReader(text.splitlines())]
    return {getattr(tooth, notation): tooth for tooth in teeth}
