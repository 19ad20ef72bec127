"""All 52 teeth: ISO 3950 to Universal by the rule of the two systems, against the table that the program uses."""

from __future__ import annotations

import pytest

from audit.core.tooth import Tooth, all_teeth
from audit.errors import RecordError

PERMANENT = {1: lambda t: 9 - t, 2: lambda t: 8 + t, 3: lambda t: 25 - t, 4: lambda t: 24 + t}
PRIMARY = {5: "EDCBA", 6: "FGHIJ", 7: "ONMLK", 8: "PQRST"}  # from the midline outwards
RULE = {f"{q}{t}": str(number(t)) for q, number in PERMANENT.items() for t in range(1, 9)}
RULE |= {f"{q}{t}": letters[t - 1] for q, letters in PRIMARY.items() for t in range(1, 6)}


def test_the_table_holds_the_52_teeth_of_the_rule_and_no_other() -> None:
    assert {tooth.iso3950: tooth.universal for tooth in all_teeth()} == RULE
    assert len(RULE) == 52 and sorted(RULE.values(), key=lambda u: (u.isalpha(), len(u), u)) == [
        *map(str, range(1, 33)),
        *"ABCDEFGHIJKLMNOPQRST",
    ]


@pytest.mark.parametrize("iso, universal", RULE.items())
def test_both_notations_name_the_same_tooth(iso: str, universal: str) -> None:
    assert Tooth.parse(iso, "iso3950") == Tooth.parse(universal, "universal")


def test_a_number_that_is_a_tooth_in_both_needs_its_notation() -> None:
    both = set(RULE) & set(RULE.values())
    assert both == {*map(str, range(11, 19)), *map(str, range(21, 29)), "31", "32"}
    for text in both:
        assert Tooth.parse(text, "iso3950") != Tooth.parse(text, "universal")
        with pytest.raises(RecordError, match="another tooth in the other notation"):
            Tooth.parse(text, None)
    with pytest.raises(RecordError):
        Tooth.parse("36", "universal")
