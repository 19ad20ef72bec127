"""How much metal shows on the facial of one tooth, as seen from this direction.

The region comes from the reader's polygon, or is proposed from the photo where the reader gave none.
All areas and lengths are projected: they belong to the direction that the photo was taken from.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from audit.core.annotations import Annotations
from audit.core.records import Calibration, Photo, Reading, Refusal
from audit.core.vocabulary import DESIGNS
from audit.errors import Refused
from audit.imaging.segment import Proposal, propose_metal
from audit.measure.metal_budget import drawn_sd, proposed_sd
from audit.measure.metal_readings import METAL_MEASURANDS, MetalCase, Region, facial_area, metal_readings
from audit.measure.perforation import measure_perforation

__all__ = ["measure_metal", "propose_metal"]

_UNDECIDED_OF_METAL, _UNDECIDED_OF_SURFACE = 0.5, 0.025
"""Undecided area (one standard deviation) above which nothing is said: share of the metal found, and of the surface."""
SMALLEST_PROPOSED_PX = 200.0
"""Narrower teeth (smile views) were read up to 60 % wrong on drawn scenes; "no metal" is still said of them."""
_AT_EDGE = 0.04
"""How near the outline metal comes that may belong to the casting, share of the outline's side."""
_ENAMEL_SHARE, _MOST_GUM, _LEAST_BLURS = 0.12, 0.03, 12.0


def measure_metal(
    pixels: np.ndarray, photo: Photo, calibration: Calibration | None, annotations: Annotations
) -> tuple[list[Reading], list[Refusal]]:
    """Measure the metal that shows inside the facial outline, and perforations of an occlusal outline.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3)
        The photo as read.
    photo : Photo
    calibration : Calibration or None
        Without one only `visible_metal_fraction` is measured.
    annotations : Annotations
        A `facial_surface`; a `metal` where the reader drew or confirmed it, else the tool proposes.

    Returns
    -------
    readings, refusals : list of Reading, list of Refusal
    """
    readings, refusals = measure_perforation(pixels, photo, calibration, annotations)
    facial = annotations.first("facial_surface")
    if facial is None or facial.geometry is None:
        return readings, refusals
    case = MetalCase(photo, calibration, annotations, facial, facial.geometry)
    try:
        area, refused = facial_area(case)
    except Refused as no:
        names = ("facial_surface_area", *METAL_MEASURANDS)
        return readings, refusals + [Refusal(name, no.code, no.message, no.hint) for name in names]
    readings += area
    refusals += refused
    if annotations.design == "complete_crown":
        reason = f"A {DESIGNS['complete_crown'].words} covers the whole facial surface; metal showing is its design."
        refusals += [Refusal(name, "not_applicable", reason, "Nothing to do.") for name in METAL_MEASURANDS]
        return readings, refusals
    try:
        more, refused = metal_readings(_region(pixels, case), case)
    except Refused as no:
        return readings, refusals + [Refusal(name, no.code, no.message, no.hint) for name in METAL_MEASURANDS]
    return readings + more, refusals + refused


def _region(pixels: np.ndarray, case: MetalCase) -> Region:
    """The region that was drawn or confirmed, as it is, else the proposal.

    Raises
    ------
    Refused
        ``metal_undecided``, ``enamel_not_found``, ``outline_includes_gum``, ``outline_not_one_tooth``, and what `propose_metal` refuses.
    """
    drawn = [f for f in case.annotations.all("metal") if f.geometry is not None]
    if drawn:
        shapes = [f.geometry for f in drawn if f.geometry is not None]
        inside = shapely.union_all(shapes).intersection(case.outline)
        shape = MultiPolygon([part for part in getattr(inside, "geoms", [inside]) if part.geom_type == "Polygon" and not part.is_empty])
        by = "proposal" if all(f.properties.get("source") == "proposal" for f in drawn) else "reader"
        return Region(shape, drawn_sd(shape, case.outline), by, {})
    tooth = case.annotations.tooth
    upper = None if tooth is None else tooth.is_upper
    blur = None if case.calibration is None else case.calibration.blur_sigma_px
    blur_px = 0.0 if blur is None else blur.value
    if np.sqrt(case.outline.area) < _LEAST_BLURS * blur_px:
        reason = f"The outline is {np.sqrt(case.outline.area):.0f} px across and the photo is blurred by {blur_px:.0f} px."
        raise Refused("outline_too_small", reason, "Photograph the tooth larger and in focus.")
    proposal = propose_metal(pixels, case.outline, case.annotations.design, case.annotations.alloy, upper)
    _judge_outline(proposal)
    _judge_region(proposal, case.outline)
    evidence = {**proposal.evidence, "separate_share": _separate_share(proposal.region, case.outline)}
    return Region(proposal.region, proposed_sd(proposal, case.outline, blur_px), "proposal", evidence)


def _separate_share(region: MultiPolygon, outline: Polygon) -> float:
    """Share of a region in islands that do not come near the outline: a casting's metal comes over an edge, another filling need not."""
    near = _AT_EDGE * float(np.sqrt(outline.area))
    islands = [part.area for part in region.geoms if part.distance(outline.exterior) > near]
    return float(sum(islands)) / max(float(region.area), 1e-9)


def _judge_outline(proposal: Proposal) -> None:
    """Refuse an outline that does not hold one tooth and nothing else."""
    if proposal.evidence["enamel_share"] < _ENAMEL_SHARE:
        raise Refused("enamel_not_found", "Too little of the outline has the colour of a tooth to compare with.",
                      "Outline the whole facial surface, without gum and neighbours, or draw the metal by hand.")  # fmt: skip
    if proposal.evidence["gum_share"] > _MOST_GUM:
        reason = f"Gum fills {proposal.evidence['gum_share']:.0%} of the outline; metal that mirrors gum looks like it."
        raise Refused("outline_includes_gum", reason,
                      "Draw the outline along the gum's edge, or draw the metal by hand.")  # fmt: skip
    if proposal.evidence["two_teeth"]:
        raise Refused("outline_not_one_tooth", "A dark line runs through the outline from end to end; it seems to hold two teeth.",
                      "Outline one tooth alone, or draw the metal by hand.")  # fmt: skip


def _judge_region(proposal: Proposal, outline: Polygon) -> None:
    """Refuse a region of which too much is undecided, or of a tooth too small to outline it."""
    most = max(_UNDECIDED_OF_METAL * proposal.region.area, _UNDECIDED_OF_SURFACE * outline.area)
    if proposal.undecided_sd_px2 > most and proposal.faint_px2 > most:
        raise Refused("metal_undecided", "A line runs across the tooth; beyond it may be white alloy that mirrors teeth, or enamel.",
                      "Draw the metal by hand, or photograph the tooth again from a little aside: what is mirrored moves.")  # fmt: skip
    if proposal.undecided_sd_px2 > most:
        raise Refused("metal_undecided", "Parts of the tooth are neither surely metal nor surely not.",
                      "Draw the metal by hand, or dry the tooth and photograph it again.")  # fmt: skip
    left, _, right, _ = outline.bounds
    if not proposal.region.is_empty and right - left < SMALLEST_PROPOSED_PX:
        reason = f"A tooth must be {SMALLEST_PROPOSED_PX:.0f} px wide for the tool to outline its metal; got {right - left:.0f} px."
        raise Refused("metal_undecided", reason, "Draw the metal by hand, or take a closer photograph.")
