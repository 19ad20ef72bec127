"""Invented folders and documents of any content, as hypothesis strategies."""

from __future__ import annotations

from datetime import date, timedelta

from hypothesis import strategies as st
from invented import CODE, entry, sha

from audit.core.clinical import CaseFolder, Event, Finding, Grade, KnownLength, PhotoEntry, Plan, Restoration, Visit
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Document, Optics, Photo, Reading, Refusal, Segment
from audit.core.tooth import all_teeth
from audit.core.vocabulary import ALLOYS, DESIGNS, EVENTS, MEASURANDS, RYGE_SCALES, STAGES, SURFACES, VIEWS

words = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\x00"), max_size=12)
names = st.text("abcdefgh-:µ/ ", min_size=1, max_size=8)
numbers = st.floats(-1e150, 1e150, allow_nan=False)
days = st.integers(0, 5000).map(lambda n: (date(2010, 1, 1) + timedelta(days=n)).isoformat())
plain = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | numbers | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3), max_leaves=6,
)  # fmt: skip
details = st.dictionaries(words, plain, max_size=3)
flags = st.lists(names, max_size=3).map(tuple)


def quantities(unit: str) -> st.SearchStrategy[Quantity]:
    return st.builds(
        Quantity, numbers, st.just(unit), st.dictionaries(names, numbers, max_size=4), st.dictionaries(names, numbers, max_size=2)
    )


@st.composite
def reading(draw: st.DrawFn) -> Reading:
    kind = draw(st.sampled_from(sorted(MEASURANDS.values(), key=lambda m: m.name)))
    status = draw(st.sampled_from(["measured", "detected", "below_detection"]))
    value, signed = quantities(kind.unit) if status == "measured" else st.none(), st.none() | quantities(kind.unit)
    low, high = sorted((draw(numbers), draw(numbers)))
    return Reading(kind.name, kind.unit, status, draw(value), (low, high), draw(names), draw(signed), draw(flags), draw(details))


segment = st.builds(
    lambda ends, *rest: Segment(*sorted(ends), *rest), st.tuples(numbers, numbers), st.sampled_from(["continuous", "open", "step"]),
    st.none() | quantities("um"),
)  # fmt: skip
refusal = st.builds(Refusal, names, names, words, words)
calibration = st.builds(
    Calibration, names, quantities("mm/px"), quantities("mm/px"), numbers, st.none() | quantities("deg"), st.none() | quantities("px"),
    st.sampled_from(["direct", "mirror"]), names, flags, details,
)  # fmt: skip
optics = st.builds(Optics, st.none() | numbers, st.none() | numbers, st.none() | numbers, st.none() | words)


@st.composite
def documents(draw: st.DrawFn, number: int) -> Document:
    certainty = st.sampled_from(["exact", "year", "doubtful", "unknown"])
    photo = Photo(
        sha(number), draw(st.integers(1, 9999)), 5, draw(st.none() | days), draw(certainty), "photo", draw(optics), draw(flags), "a.jpg"
    )
    records = [draw(st.lists(kind, max_size=3).map(tuple)) for kind in (reading(), segment, refusal)]
    return Document(photo, draw(st.none() | calibration), *records)


@st.composite
def restorations(draw: st.DrawFn) -> Restoration:
    tooth, some = draw(st.sampled_from(all_teeth())), draw(st.none() | st.tuples(numbers, numbers))
    plan = Plan(some, draw(st.none() | st.booleans()), draw(st.none() | numbers), draw(words))
    lengths = draw(st.lists(st.builds(KnownLength, words, numbers, numbers), max_size=2).map(tuple))
    design, alloy = draw(st.sampled_from(sorted(DESIGNS))), draw(st.sampled_from(ALLOYS))
    return Restoration(CODE, tooth, draw(st.sampled_from(["iso3950", "universal"])), design, alloy, draw(days), draw(words), plan, lengths)


@st.composite
def folders(draw: st.DrawFn) -> tuple[CaseFolder, list[tuple[PhotoEntry, Document]]]:
    """A folder in which every row has a key of its own, and what was measured on its photos."""
    on = draw(st.lists(days, min_size=1, max_size=4, unique=True))
    day = st.sampled_from(on)

    def rows(record: type, *fields: st.SearchStrategy, key: int) -> st.SearchStrategy[tuple]:
        one = st.tuples(st.just(CODE), day, *fields)
        return st.lists(one, max_size=4, unique_by=lambda row: row[:key]).map(lambda found: tuple(record(*row) for row in found))

    surface, scale = st.sampled_from(SURFACES), st.sampled_from(sorted(RYGE_SCALES))
    found = [
        Finding(*row[:3], row[4], row[3], "E1")
        for row in draw(st.lists(st.tuples(st.just(CODE), day, names, surface, words), max_size=4, unique_by=lambda r: r[:4]))
    ]
    grades = draw(rows(Grade, st.just("ryge"), scale, words, st.just("E1"), st.booleans(), key=4))
    events = draw(rows(Event, st.sampled_from(sorted(EVENTS)), words, key=3))
    visits = tuple(Visit(CODE, one, draw(st.sampled_from(STAGES)), draw(words), draw(words)) for one in on)
    shown = [(entry(n, on=draw(day), view=draw(st.sampled_from(VIEWS))), draw(documents(n))) for n in range(draw(st.integers(0, 3)))]
    case = CaseFolder((draw(restorations()),), visits, tuple(found), grades, events, tuple(e for e, _ in shown))
    return case, shown
