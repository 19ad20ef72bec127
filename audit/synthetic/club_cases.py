"""The nine invented restorations of the demonstration club: who, what, and the story of each over the years.

No patient stands behind any of them. Months count from placement; `PREPARATION`, `PLACEMENT` and
`BASELINE` stand for the visits that are not recalls. What is given for a month holds from then on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from audit.synthetic.spec import Mouth, Opening

__all__ = ["BASELINE", "CASES", "PLACEMENT", "PREPARATION", "Case", "Happening"]

PREPARATION, PLACEMENT, BASELINE = -1, 0, 1
Answers = Mapping[tuple[str, str], str]


@dataclass(frozen=True)
class Happening:
    """An event: its kind and note, so many days after the visit of a month."""

    month: int
    days_after: int
    kind: str
    note: str


@dataclass(frozen=True)
class Case:
    """One restoration and its story.

    Parameters
    ----------
    code, tooth, placed_on : str
        Case code, ISO 3950 designation, ISO date.
    mouth : Mouth
        As it is after placement; design and alloy are its own.
    examiner : str
        Member who examines at recalls.
    recalls : tuple of int
        Months of the recalls kept.
    margin_view : str
        View by mirror that shows the margin best.
    margin_months, bitewing_months, smile_months, stages : tuple of int
        Visits with that view; stages among `PREPARATION` and `PLACEMENT`.
    changes, bitewing : mapping of int to mapping
        Fields of the mouth, and of the bitewing, that hold from a month on.
    camera : mapping
        Fields of every photograph of it that differ from the member's usual ones.
    shots : mapping of (int, str) to mapping
        Fields of one shot, by month and view.
    findings, grades : mapping of int to mapping
        Answers by (finding, surface), and grades by criterion, that hold from a month on.
    events : tuple of Happening
    notes : mapping of int to str
        Of single visits.
    baselines : tuple of int
        Recall months that are entered as a new baseline.
    has_caliper : bool
        The mesiodistal width was taken with a caliper.
    """

    code: str
    tooth: str
    placed_on: str
    mouth: Mouth
    examiner: str
    recalls: tuple[int, ...] = (6, 12, 24, 36, 60)
    margin_view: str = "occlusal"
    margin_months: tuple[int, ...] = (BASELINE, 24, 60)
    bitewing_months: tuple[int, ...] = (BASELINE, 24, 60)
    smile_months: tuple[int, ...] = ()
    stages: tuple[int, ...] = ()
    changes: Mapping[int, Mapping[str, Any]] = field(default_factory=dict)
    bitewing: Mapping[int, Mapping[str, Any]] = field(default_factory=dict)
    camera: Mapping[str, Any] = field(default_factory=dict)
    shots: Mapping[tuple[int, str], Mapping[str, Any]] = field(default_factory=dict)
    findings: Mapping[int, Answers] = field(default_factory=dict)
    grades: Mapping[int, Mapping[str, str]] = field(default_factory=dict)
    events: tuple[Happening, ...] = ()
    notes: Mapping[int, str] = field(default_factory=dict)
    baselines: tuple[int, ...] = ()
    has_caliper: bool = False

    @property
    def member(self) -> str:
        """Code of the member who placed it."""
        return self.code.partition("-")[0]

    @property
    def months(self) -> tuple[int, ...]:
        """All visits in order."""
        return (*(m for m in (PREPARATION, PLACEMENT) if m in self.stages or m == PLACEMENT), BASELINE, *self.recalls)


def _opening(width_um: float) -> tuple[Opening, ...]:
    return (Opening(5.8, 8.8, width_um),) if width_um else ()


_RIM = ("mesial", "facial", "distal", "lingual")
_CAME_OFF: Answers = {("retention", ""): "came_off", ("luting_agent", ""): "washed_out", ("occlusal_contact", ""): "not_examined"} | {
    ("explorer", surface): "not_examined" for surface in _RIM
} | {("proximal_contact", surface): "not_examined" for surface in ("mesial", "distal")}  # fmt: skip
_PUT_BACK: Answers = {("retention", ""): "firm", ("luting_agent", ""): "intact", ("occlusal_contact", ""): "even"} | {
    ("explorer", surface): "no_catch" for surface in _RIM
} | {("proximal_contact", surface): "floss_snaps" for surface in ("mesial", "distal")}  # fmt: skip
_SEEN = "seen at the facial margin under air"

CASES: tuple[Case, ...] = (
    Case(
        "M01-004", "16", "2018-05-16", Mouth(seed=104, band_mm=0.42), "M02",
        recalls=(6, 12, 24, 36, 60, 84), stages=(PREPARATION, PLACEMENT), smile_months=(BASELINE, 60),
        notes={PREPARATION: "finishing bevel on the mesiofacial cusp, finish line kept off the gingiva", 84: "nothing to note"},
        bitewing={BASELINE: {"crest_mm": (2.6, 2.8)}},
    ),
    Case(
        "M01-011", "26", "2019-03-27", Mouth(seed=111, right_side=False, band_mm=0.38, finish_line_mm=0.5), "M03",
        margin_view="lingual", margin_months=(BASELINE, 36), smile_months=(60,),
        changes={12: {"recession_mm": 0.25}, 24: {"recession_mm": 0.55}, 36: {"recession_mm": 0.95}, 60: {"recession_mm": 1.5}},
        findings={
            24: {("recession_mm", "facial"): "0.5", ("complaint", ""): "sensitivity"},
            36: {("recession_mm", "facial"): "1", ("complaint", ""): "none"},
            60: {("recession_mm", "facial"): "1.5", ("plaque", ""): "yes", ("bleeding", "facial"): "yes"},
        },
        notes={24: "brushes with a hard brush; shown another way", 60: "finish line stands clear of the tissue, explorer passes over it"},
    ),
    Case(
        "M01-019", "46", "2020-02-12", Mouth(seed=119, upper=False, design="onlay", band_mm=0.45), "M02",
        margin_months=(BASELINE, 12, 36, 60), stages=(PLACEMENT,),
        changes={
            12: {"openings": _opening(45.0)}, 24: {"openings": _opening(90.0)}, 36: {"openings": _opening(140.0)},
            60: {"openings": _opening(210.0), "stain": 0.5},
        },
        bitewing={24: {"gap_um": (0.0, 60.0)}, 60: {"gap_um": (0.0, 150.0)}}, shots={(60, "bitewing"): {"tilt_deg": 0.2}},
        findings={
            24: {("explorer", "facial"): "catches"},
            36: {("explorer", "facial"): "enters", ("luting_agent", "facial"): "washed_out"},
            60: {("marginal_discoloration", "facial"): "at_junction", ("food_impaction", ""): "no"},
        },
        grades={36: {"marginal_adaptation": "bravo"}, 60: {"marginal_discoloration": "bravo"}},
        notes={36: f"crevice at the distofacial, {_SEEN}; to be watched", 60: "crevice longer than before; repair discussed"},
    ),
    Case(
        "M02-002", "17", "2019-09-10", Mouth(seed=202, band_mm=0.40), "M01",
        stages=(PREPARATION,), margin_view="lingual", margin_months=(BASELINE, 36), bitewing_months=(BASELINE, 24),
        changes={36: {"chip_mm": 1.3}},
        findings={36: {("uncovered_cusp", "facial"): "chip", ("explorer", "facial"): "catches"}, 60: {("explorer", "facial"): "no_catch"}},
        grades={36: {"anatomic_form": "bravo", "marginal_adaptation": "bravo"}, 60: {"marginal_adaptation": "alfa"}},
        events=(Happening(36, 0, "refinished", "chip at the mesiofacial bevel smoothed and polished after the photograph"),),
        notes={36: "enamel chip at the mesiofacial bevel, no pain; bit on a cherry stone"},
    ),
    Case(
        "M02-008", "36", "2018-11-21", Mouth(seed=208, upper=False, right_side=False, design="complete_crown"), "M03",
        margin_months=(BASELINE, 12, 24, 36, 60), bitewing_months=(BASELINE, 60), has_caliper=True,
        changes={36: {"perforation_mm": 0.8}, 60: {"perforation_mm": 1.4}},
        findings={
            36: {("perforation", "occlusal"): "present", ("occlusal_contact", ""): "heavy"},
            60: {("marginal_discoloration", "occlusal"): "at_junction"},
        },
        grades={36: {"anatomic_form": "bravo"}, 60: {"anatomic_form": "charlie"}},
        events=(Happening(60, 14, "perforation_sealed", "sealed with a bonded filling; opposing contact eased"),),
        notes={36: "small perforation at a cusp tip, base not soft; watched", 60: "perforation larger"},
    ),
    Case(
        "M02-013", "15", "2019-06-05", Mouth(seed=213, kind="premolar", design="three_quarter", band_mm=0.35), "M01",
        recalls=(6, 12, 24, 25, 36, 60), baselines=(25,), bitewing_months=(), smile_months=(BASELINE,), margin_months=(BASELINE, 25, 60),
        changes={25: {"band_mm": 0.33}},
        findings={24: _CAME_OFF, 25: _PUT_BACK},
        events=(Happening(24, 0, "recemented", "came off while eating; casting whole, cleaned and recemented"),),
        notes={24: "casting brought along by the patient; groove walls short, preparation sound", 25: "new baseline after recementation"},
    ),
    Case(
        "M03-001", "37", "2020-10-14",
        Mouth(seed=301, upper=False, right_side=False, design="three_quarter", band_mm=0.45), "M02",
        camera={"reference": "rule"}, shots={(36, "facial"): {"pitch_deg": 10.0}},
        notes={36: "photographed by another assistant, standing"}, has_caliper=True,
    ),
    Case(
        "M03-006", "47", "2021-04-22", Mouth(seed=306, upper=False, design="onlay", alloy="white", band_mm=0.5), "M01",
        recalls=(6, 12, 24, 36), bitewing_months=(BASELINE, 24, 36), stages=(PREPARATION, PLACEMENT), camera={"reference": "rule"},
        bitewing={36: {"crest_mm": (3.1, 6.4)}},
        findings={
            24: {("probing_depth_mm", "distal"): "4", ("bleeding", "distal"): "yes"},
            36: {("probing_depth_mm", "distal"): "9", ("percussion", ""): "tender", ("mobility", ""): "1", ("complaint", ""): "pain",
                 ("pulp_test", ""): "no_response"},
        },
        events=(Happening(36, 12, "extracted", "root fractured lengthwise; margin and casting sound"),),
        notes={36: "narrow deep pocket at the distal root"},
    ),
    Case(
        "M03-010", "27", "2021-01-19", Mouth(seed=310, right_side=False, band_mm=0.45), "M01",
        bitewing_months=(BASELINE, 24, 60), margin_months=(BASELINE, 60),
        shots={
            (6, "facial"): {"focus_offset_mm": 9.0, "lens_sigma_px": 5.0},
            (12, "facial"): {"reference": None},
            (24, "facial"): {"mirror": True, "reference_seen_in": "direct"},
            (36, "facial"): {"px_per_mm": 24.0},
        },
        notes={6: "camera focused on the cheek retractor", 12: "reference forgotten", 24: "taken by mirror, reference held outside it",
               36: "taken from farther away"},
    ),
)  # fmt: skip
