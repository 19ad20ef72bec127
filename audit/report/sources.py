"""What each method does, in a line, and the published work behind a report's numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from audit.core.limits import LIMITS

__all__ = ["method_words", "references"]

_METHODS: Mapping[str, str] = MappingProxyType(
    {
        "facial_outline": "the outline that the reader drew, projected",
        "visible_metal": "metal inside the facial outline, confirmed or proposed; thickness across it; projected",
        "margin_slot": "a slot with the photo's own blur fitted at stations along the traced margin, in linear light",
        "margin_to_gingiva": "distance from the traced margin to the traced gingival margin; negative where the margin lies below it",
        "perforation": "closed regions inside the metal that do not reflect as metal does; projected",
        "radiographic_slot": "a slot with the image's own blur fitted at stations along the marked interface; a lower bound",
        "radiographic_step": "distance between the outlines above and below the interface",
        "margin_to_crest": "distance between two marked points",
        "probe_marks": "scale from the marks of a periodontal probe",
        "rule_comb": "scale from the graduation of a rule",
        "rod_silhouette": "scale from the two edges of a rod of known diameter",
        "known_length": "scale from a length of this tooth or casting taken with a caliper",
        "two_points": "scale from two points of known distance",
        "dicom_spacing": "scale from the spacing in the header of the radiograph (DICOM PS3.3, 10.7)",
    }
)
_GENERAL = (
    "Uncertainty: JCGM 100:2008 (GUM); JCGM 101:2008 where a distribution is not normal. Detection: ISO 11843-1:1997.",
    "Several comparisons of one tooth: Benjamini and Hochberg, J R Stat Soc B 1995;57:289-300.",
    "Photographs turned to lie as the baseline: Evangelidis and Psarakis, IEEE Trans Pattern Anal Mach Intell 2008;30:1858-1865.",
    "Tooth designations: ISO 3950. Recall intervals: NICE clinical guideline CG19.",
)


def method_words(method: str) -> str:
    """What a method does, or nothing where there are no words for it."""
    return _METHODS.get(method.partition("@")[0], "")


def references(measurands: Iterable[str]) -> list[str]:
    """Published work behind a report that holds these measurands, drawn limits included."""
    names = set(measurands)
    return [*_GENERAL, *(limit.source for limit in LIMITS if limit.measurand in names)]
