"""The trade's words as the project uses them: views, surfaces, designs, stages, findings, events, measurands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = [
    "ALLOYS", "DESIGNS", "EVENTS", "FDI_SCORES", "FDI_WORDS", "FINDINGS", "GRADES", "MEASURANDS", "NEITHER_SOUND_NOR_WORSE", "NOT_EXAMINED",
    "RADIOGRAPH_VIEWS", "RYGE_SCALES", "STAGES", "SAME_WORD", "SURFACES", "VIEWS", "Design", "EventKind", "MeasurandKind", "is_sound",
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
        "opposing_material": ("enamel", "metal", "ceramic", "resin", "no_opposing_tooth"),
        "splint": ("no", "yes"),
        "pulp_test": ("normal", "exaggerated", "no_response"),
        "percussion": ("normal", "tender"),
        "apical_finding": ("none", "present"),
        "complaint": ("none", "sensitivity", "pain", "looks"),
        "air_dried": ("yes", "no"),
        "cleaned": ("yes", "no"),
        "loupes": ("no", "yes"),
    }
)
# how it is, not how good it is: no answer is worse than another
NEITHER_SOUND_NOR_WORSE = frozenset({"opposing_material", "splint", "loupes"})

RYGE_SCALES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "marginal_adaptation": ("alfa", "bravo", "charlie", "delta"),
        "marginal_discoloration": ("alfa", "bravo", "charlie"),
        "anatomic_form": ("alfa", "bravo", "charlie"),
        "caries": ("alfa", "bravo"),
    }
)

FDI_SCORES: Mapping[str, str] = MappingProxyType({"1": "excellent", "2": "good", "3": "sufficient", "4": "unsatisfactory", "5": "poor"})
# criterion of the FDI list of 2010 -> what its scores 1 to 5 say. Hickel et al., Clin Oral Investig 2010;14:349-366; scores 1 to 3 as
# carried in PMC9708751, table 2; scores 4 and 5 and the radiographic ones from memory, not checked against print
FDI_WORDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "marginal_adaptation": (
            "harmonious outline, no gaps, no white or discoloured lines",
            "gap under 150 µm, white lines; small marginal fracture removable by polishing; slight ditching, step or flash",
            "gap under 250 µm, not removable; several small marginal fractures; major irregularities, ditching, flash, steps",
            "gap over 250 µm, or dentine or base exposed; severe ditching or marginal fractures; larger irregularities or steps",
            "restoration loose, partly or completely, but in situ; generalised major gaps or irregularities",
        ),
        "marginal_staining": (
            "none", "minor, easily removed by polishing", "moderate, not esthetically unacceptable",
            "pronounced; major intervention needed", "deep, not accessible for intervention",
        ),
        "fracture_and_retention": (
            "no fractures or cracks", "small hairline crack",
            "two or more or larger hairline cracks, or a chip that affects neither margin nor proximal contact",
            "chip that damages margin or contact; bulk fracture with loss of less than half of the restoration",
            "loss, partial or complete, or multiple fractures",
        ),
        "surface_lustre": (
            "comparable to enamel", "slightly dull, not noticeable from speaking distance; some isolated pores",
            "dull but acceptable under a film of saliva; multiple pores on more than a third of the surface",
            "rough, not masked by saliva, polishing insufficient; voids", "very rough, plaque-retentive",
        ),
        "recurrence_of_caries": (
            "none", "small, localised demineralisation, erosion or abfraction",
            "larger areas, dentine not exposed; preventive measures only",
            "cavitated caries or erosion in dentine, localised, accessible, repairable",
            "deep caries or exposed dentine not accessible for repair",
        ),
        "radiographic_examination": (
            "no pathology; harmonious transition", "acceptable excess; step under 150 µm",
            "gap under 250 µm; negative step under 250 µm, no adverse effect; poor radiopacity",
            "gap over 250 µm; excess accessible but not removable; negative step over 250 µm, reparable",
            "secondary caries, large gaps or overhangs; apical pathology; fracture or loss of restoration or tooth",
        ),
        "tooth_integrity": (
            "complete", "small marginal enamel fracture under 150 µm", "defect under 250 µm", "defect over 250 µm",
            "fracture of cusp or tooth",
        ),
    }
)  # fmt: skip
# system of grading -> criterion -> its grades, from sound to worse
GRADES: Mapping[str, Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {"ryge": RYGE_SCALES, "fdi": MappingProxyType({criterion: tuple(FDI_SCORES) for criterion in FDI_WORDS})}
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


def is_sound(name: str, value: str) -> bool:
    """Whether an answer is the first, sound one of its list; numbers and ``not_examined`` are not judged and count as sound."""
    answers = FINDINGS.get(name, ())
    return not answers or name in NEITHER_SOUND_NOR_WORSE or value in (answers[0], NOT_EXAMINED)
