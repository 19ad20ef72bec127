"""The trade's words as the project uses them: views, surfaces, designs, stages, findings, events, measurands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = [
    "ALLOYS", "DESIGNS", "EVENTS", "FINDINGS", "MEASURANDS", "NOT_EXAMINED", "RADIOGRAPH_VIEWS", "RYGE_SCALES", "STAGES",
    "SAME_WORD", "SURFACES", "VIEWS", "Design", "EventKind", "MeasurandKind",
]  # fmt: skip

VIEWS = ("facial", "smile_front", "smile_oblique", "occlusal", "lingual", "mesial", "distal", "bitewing", "stage")
RADIOGRAPH_VIEWS = ("bitewing",)
SURFACES = ("mesial", "occlusal", "distal", "facial", "lingual")
# what others say for a word of ours; offered as the next step, never taken silently
SAME_WORD: Mapping[str, str] = MappingProxyType(
    {
        "buccal": "facial", "vestibular": "facial", "labial": "facial", "palatal": "lingual", "incisal": "occlusal",
        "full_crown": "complete_crown", "crown": "complete_crown", "7/8": "seven_eighths", "3/4": "three_quarter",
        "cementation": "placement", "recementation": "recemented", "review": "baseline", "bitewings": "bitewing", "bw": "bitewing",
    }
)  # fmt: skip
STAGES = ("preoperative", "preparation", "die", "casting", "placement", "baseline", "recall")
ALLOYS = ("gold", "white")
NOT_EXAMINED = "not_examined"


@dataclass(frozen=True)
class Design:
    """A casting design: its words and the surfaces of the tooth that it covers wholly."""

    name: str
    words: str
    covers: tuple[str, ...]
    facial_metal: str
    """What of the facial surface may show metal by design: ``none``, ``bevel``, ``distal_half``, ``all``."""


DESIGNS: Mapping[str, Design] = MappingProxyType(
    {
        d.name: d
        for d in (
            Design("inlay", "inlay", ("occlusal",), "none"),
            Design("onlay", "onlay", ("occlusal",), "bevel"),
            Design("three_quarter", "three-quarter crown", ("mesial", "occlusal", "distal", "lingual"), "bevel"),
            Design("seven_eighths", "seven-eighths crown", ("mesial", "occlusal", "distal", "lingual"), "distal_half"),
            Design("complete_crown", "complete cast crown", SURFACES, "all"),
        )
    }
)


# finding -> the answers it may have, from sound to worse; every finding may also be NOT_EXAMINED.
# An empty tuple means a number with the unit in the finding's name.
FINDINGS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "explorer": ("no_catch", "catches", "enters", "dentine_or_base_exposed"),
        "caries_at_margin": ("none", "present"),
        "marginal_discoloration": ("none", "at_junction", "penetrating"),
        "probing_depth_mm": (),
        "bleeding": ("no", "yes"),
        "plaque": ("no", "yes"),
        "recession_mm": (),
        "mobility": ("0", "1", "2", "3"),
        "retention": ("firm", "loose", "came_off"),
        "luting_agent": ("intact", "washed_out"),
        "perforation": ("none", "present"),
        "uncovered_cusp": ("intact", "crack", "chip"),
        "proximal_contact": ("floss_snaps", "floss_passes_freely", "floss_does_not_pass"),
        "food_impaction": ("no", "yes"),
        "occlusal_contact": ("even", "light", "heavy", "none"),
        "pulp_test": ("normal", "exaggerated", "no_response"),
        "percussion": ("normal", "tender"),
        "complaint": ("none", "sensitivity", "pain", "looks"),
        "air_dried": ("yes", "no"),
    }
)

RYGE_SCALES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "marginal_adaptation": ("alfa", "bravo", "charlie", "delta"),
        "marginal_discoloration": ("alfa", "bravo", "charlie"),
        "anatomic_form": ("alfa", "bravo", "charlie"),
        "caries": ("alfa", "bravo"),
    }
)


@dataclass(frozen=True)
class EventKind:
    """An event in the life of a restoration and what it means for outcomes."""

    name: str
    words: str
    outcome: str
    """``success`` (still counted as success), ``survival`` (success lost, still in place), ``failure`` or ``withdrawn``."""
    restarts_baseline: bool


EVENTS: Mapping[str, EventKind] = MappingProxyType(
    {
        e.name: e
        for e in (
            EventKind("refinished", "margin refinished", "success", True),
            EventKind("recemented", "came off and was recemented", "survival", True),
            EventKind("repaired", "repaired", "survival", True),
            EventKind("perforation_sealed", "perforation sealed", "survival", True),
            EventKind("endodontic_access", "endodontic access through the casting", "survival", True),
            EventKind("caries_treated", "caries at the margin treated", "survival", True),
            EventKind("replaced", "replaced", "failure", False),
            EventKind("lost", "came off and was not put back", "failure", False),
            EventKind("extracted", "tooth extracted", "failure", False),
            EventKind("withdrawn", "left the audit", "withdrawn", False),
        )
    }
)


@dataclass(frozen=True)
class MeasurandKind:
    """A measurand: its words, its unit, and which way is worse (+1 larger, -1 smaller, 0 neither)."""

    name: str
    words: str
    unit: str
    worse: int


MEASURANDS: Mapping[str, MeasurandKind] = MappingProxyType(
    {
        m.name: m
        for m in (
            MeasurandKind("facial_surface_area", "facial surface shown (projected)", "mm2", 0),
            MeasurandKind("visible_metal_area", "metal showing on the facial (projected area)", "mm2", +1),
            MeasurandKind("visible_metal_fraction", "share of the facial surface that is metal", "1", +1),
            MeasurandKind("visible_metal_height", "height of the metal showing (projected)", "mm", +1),
            MeasurandKind("visible_metal_extent", "mesiodistal extent of the metal showing", "mm", +1),
            MeasurandKind("assessed_margin_length", "margin assessed", "mm", 0),
            MeasurandKind("continuous_margin_fraction", "share of the assessed margin that is continuous", "1", -1),
            MeasurandKind("widest_marginal_opening", "widest marginal opening (projected)", "um", +1),
            MeasurandKind("mean_marginal_opening", "mean marginal opening (projected)", "um", +1),
            MeasurandKind("margin_to_gingiva", "margin to gingiva", "mm", 0),
            MeasurandKind("perforation_area", "perforation (projected area)", "mm2", +1),
            MeasurandKind("radiographic_gap_width", "radiographic gap, mean along the site (lower bound)", "um", +1),
            MeasurandKind("widest_radiographic_gap", "widest radiographic gap (lower bound)", "um", +1),
            MeasurandKind("radiographic_step", "radiographic step (overhang +, short margin -)", "um", 0),
            MeasurandKind("margin_to_crest", "margin to alveolar crest", "mm", +1),
        )
    }
)
