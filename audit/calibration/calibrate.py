"""One door to every kind of reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from audit.calibration.budget import Found, calibrated
from audit.calibration.dicom import read_spacing
from audit.calibration.diffraction import against_diffraction
from audit.calibration.disc import read_disc
from audit.calibration.grid import read_grid
from audit.calibration.length import read_known_length, read_two_points
from audit.calibration.printed_strip import read_strip
from audit.calibration.probe import read_probe
from audit.calibration.rod import read_rod
from audit.calibration.rule import read_rule
from audit.core.annotations import Feature
from audit.core.clinical import KnownLength
from audit.core.records import Calibration, Photo
from audit.errors import Refused
from audit.imaging.dicom import DicomFacts
from audit.imaging.ghost import edge_ghost

__all__ = ["calibrate"]


def calibrate(
    pixels: np.ndarray, photo: Photo, feature: Feature | None, *, tooth_seen_in: str,
    dicom: DicomFacts | None = None, known_lengths: Sequence[KnownLength] = (),
) -> Calibration:  # fmt: skip
    """Millimetres per pixel at the tooth, from one reference in the same image.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    photo : Photo
    feature : Feature or None
        The reference as marked; without one, DICOM spacing is used where its status allows it.
    tooth_seen_in : {'direct', 'mirror'}
    dicom : DicomFacts or None
    known_lengths : sequence of KnownLength
        Caliper lengths stored with the restoration.

    Raises
    ------
    Refused
        With the reason and the next step.
    """
    if feature is None:
        if dicom is None:
            raise Refused("no_reference", "Millimetres must rest on a reference in the same image; got none.",
                          "Mark one in the .geojson beside the photo: a known length, a rod, a probe, a rule (null finds it).")  # fmt: skip
        return read_spacing(photo, dicom)
    if feature.seen_in != tooth_seen_in:
        ways = f"the tooth {_way(tooth_seen_in)} and the reference {_way(feature.seen_in)}"
        raise Refused("mixed_light_path", f"Tooth and reference must be seen the same way; got {ways}.",
                      "Put the reference beside the tooth, so that both are seen in the mirror or both directly.")  # fmt: skip
    scale = calibrated(_read(pixels, photo, feature, known_lengths), photo, feature)
    shown = against_diffraction(photo, scale.mm_per_px.value, scale.blur_sigma_px)
    return replace(_with_ghost(pixels, scale), evidence={**scale.evidence, **shown})


def _with_ghost(pixels: np.ndarray, scale: Calibration) -> Calibration:
    """The same, flagged where a shaft seen in a mirror shows a second, weaker edge beside each of its own."""
    edges = scale.evidence.get("edges_xy")
    if scale.seen_in != "mirror" or not edges or scale.blur_sigma_px is None:
        return scale
    ghost = edge_ghost(pixels, np.asarray(edges, dtype=float), scale.mm_per_px.value, scale.blur_sigma_px.value)
    return scale if ghost is None else replace(scale, flags=(*scale.flags, "ghost_edge"))


def _way(seen_in: str) -> str:
    return "in the mirror" if seen_in == "mirror" else "directly"


def _read(pixels: np.ndarray, photo: Photo, feature: Feature, known_lengths: Sequence[KnownLength]) -> Found:
    kind = feature.properties.get("kind")
    if kind == "rule":
        return read_rule(pixels, photo, feature)
    if kind == "rod":
        return read_rod(pixels, photo, feature)
    if kind == "probe":
        return read_probe(pixels, photo, feature)
    if kind == "disc":
        return read_disc(pixels, photo, feature)
    if kind == "grid":
        return read_grid(pixels, photo, feature)
    if kind == "strip":
        return read_strip(pixels, photo, feature)
    if kind == "known_length":
        return read_known_length(photo, feature, known_lengths)
    if kind == "two_points":
        return read_two_points(photo, feature)
    raise Refused("reference_kind_not_supported",
                  f"kind must be known_length, disc, grid, probe, rod, rule, strip or two_points; got {kind!r}.",
                  "Use one of these, e.g. a line along two landmarks with length_mm and u_mm.")  # fmt: skip
