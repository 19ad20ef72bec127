"""A calibration in words that a dentist can act on: one line first, then where the uncertainty comes from."""

from __future__ import annotations

from collections.abc import Mapping

from audit.core.records import Calibration
from audit.report.words import plain

__all__ = ["FLAG_WORDS", "SOURCE_WORDS", "calibration_lines"]

_KINDS = {
    "strip": "the printed strip", "rule": "a rule", "rod": "a rod", "probe": "a probe",
    "known_length": "a known length of the tooth or casting",
    "two_points": "two points set by hand", "disc": "a disc or ball", "grid": "a grid", "dicom": "the spacing that the file states",
}  # fmt: skip
SOURCE_WORDS: Mapping[str, str] = {
    "graduation": "how exact the marks of the instrument are", "print": "what the printer made of a millimetre",
    "known_length": "the caliper's length", "diameter": "the diameter", "spacing": "the spacing in the header",
    "comb": "reading the marks on the picture", "boundary": "reading the edges on the picture", "landmark": "landmarks set by hand",
    "tone": "the camera's tone curve at soft edges", "offset": "depth between reference and tooth", "tilt": "inclination of the reference",
    "distortion": "the lens between reference and tooth",
}  # fmt: skip
FLAG_WORDS: Mapping[str, str] = {
    "offset_assumed": "Nobody said how deep the reference lies against the tooth: give offset_mm and u_offset_mm.",
    "object_distance_assumed": "The file does not tell how far off the camera or the X-ray source stood; a usual distance was taken.",
    "print_scale_unchecked": "Nobody measured the print with a caliper: give check_mm of the sheet.",
    "print_width_unchecked": "Nobody measured the print's width: give check_across_mm of the sheet for a better inclination.",
    "strip_partly_hidden": "Part of the strip is hidden or off the picture.",
    "picture_flipped": "The strip reads the right way round although it is said to be seen in a mirror: the picture was flipped.",
    "reference_leans": "The reference leans; that was taken out, but a reference laid flat is better.",
    "ghost_edge": "A second, weaker edge beside each edge: a mirror silvered on its rear surface. Use one silvered on its front.",
    "diameter_tolerance_assumed": "Nobody measured the diameter: give u_mm.",
    "grid_tolerance_assumed": "Nobody measured the squares: give u_mm.",
    "length_tolerance_assumed": "The length has no stated uncertainty: give u_mm.",
    "marks_tolerance_assumed": "The marks have no stated uncertainty: measure them and give u_mm.",
    "graduation_told_from_lengths": "Only the lengths of its ticks say what a tick is worth, and a scale half as large looks the same: "
    "give tick_mm.",
    "graduation_as_stated": "The picture does not prove what one tick is worth; it was believed as stated.",
    "narrow_for_a_tooth": "At this scale the outlined tooth is too narrow for one: check tick_mm, unless part of it is hidden.",
    "detector_plane_spacing": "The spacing is that of the detector; a usual magnification was taken out.",
    "magnification_from_header": "The spacing is that of the detector; the magnification in the header was taken out.",
    "spacing_corrected": "The spacing was corrected for a magnification at a depth that the file does not state.",
    "magnification_not_believed": "The header states a magnification that no radiograph has; a usual one was taken.",
    "spacing_calibrated": "The file says that its spacing was calibrated; nobody here can check it.",
}  # fmt: skip
_BAR = 24


def calibration_lines(calibration: Calibration) -> list[str]:
    """What was found, the budget by source, blur and remarks, one line each."""
    along, across = calibration.mm_per_px, calibration.mm_per_px_across
    relative, relative_across = along.u / along.value, across.u / across.value
    mirror = ", seen in a mirror" if calibration.seen_in == "mirror" else ""
    same = abs(across.value / along.value - 1) < 1e-6 and abs(relative_across - relative) < 1e-5
    both = f"{relative:.2%}" if same else f"{relative:.2%} along it and {relative_across:.2%} square to the line of sight"
    lines = [
        f"1 px is {along.value:.5g} mm at the tooth, by {_KINDS.get(calibration.reference, calibration.reference)}{mirror}: "
        f"10 mm are known to ± {19.6 * relative:.2f} mm (95 %).",
        *([] if same else [f"Square to the line of sight 1 px is {across.value:.5g} mm: the reference leans, or may lean, along itself."]),
        f"Standard uncertainty {both}. It comes from:",
    ]
    budget = sorted(across.relative_parts.items(), key=lambda part: -abs(part[1]))
    largest = max((abs(part) for _, part in budget), default=1.0) or 1.0
    for name, part in budget:
        kind, _, whose = name.partition("/")
        bar = "█" * max(1, round(_BAR * abs(part) / largest))
        named = "" if whose.startswith(tuple("0123456789abcdef")) and len(whose) == 12 else f" ({whose})"
        lines.append(f"  {abs(part):7.2%}  {bar:<{_BAR}}  {SOURCE_WORDS.get(kind, plain(kind))}{named}")
    return [
        *lines,
        *_shown(calibration),
        *(FLAG_WORDS.get(flag, f"Remark: {plain(flag)}.") for flag in calibration.flags),
    ]


def _shown(calibration: Calibration) -> list[str]:
    lines, evidence = [], calibration.evidence
    if calibration.tilt_deg is not None:
        lines.append(f"Inclination along the reference {calibration.tilt_deg.value:+.1f}°, u {calibration.tilt_deg.u:.1f}°.")
    if "tilt_across_deg" in evidence:
        lines.append(f"Inclination across it {evidence['tilt_across_deg']:+.1f}°, u {evidence['u_tilt_across_deg']:.1f}°.")
    if "inclination_deg" in evidence:
        lines.append(f"Inclination {evidence['inclination_deg']:.1f}°, u {evidence['u_inclination_deg']:.1f}°; its sign cannot be told.")
    if calibration.blur_sigma_px is not None:
        sigma = calibration.blur_sigma_px.value
        lens = f", {evidence['blur_over_diffraction']:.1f} times what diffraction leaves" if "blur_over_diffraction" in evidence else ""
        size = f"{sigma:.1f} px or {1000 * sigma * calibration.mm_per_px.value:.0f} µm"
        lines.append(f"Blur at the reference {size}{lens}; the tooth may be sharper or softer.")
    if "residual_rms_px" in evidence:
        lines.append(f"What was found lies within {evidence['residual_rms_px']:.2g} px (rms) of the fit.")
    if "residual_of_contrast" in evidence:
        lines.append(f"The print differs from what was drawn by {evidence['residual_of_contrast']:.1%} of its contrast (rms).")
    return lines
