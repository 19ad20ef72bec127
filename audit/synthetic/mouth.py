"""Photographs of a mouth with a restoration whose every dimension is known."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from audit.imaging.encode import encode_jpeg
from audit.imaging.smooth import outline
from audit.synthetic.camera import Camera, aim_camera, object_distance_mm
from audit.synthetic.facial import build_facial
from audit.synthetic.frame import lay_frame
from audit.synthetic.lips import lay_lips
from audit.synthetic.marks import feature, hand_line, hand_polygon
from audit.synthetic.occlusal import build_occlusal
from audit.synthetic.optics import blur_sigma_px, develop, magnification, through_lens
from audit.synthetic.reference import hold
from audit.synthetic.render import draw, survey
from audit.synthetic.scene import Scene
from audit.synthetic.smile import build_smile
from audit.synthetic.spec import Mouth, Opening, Shot
from audit.synthetic.stage import Stage
from audit.synthetic.truth import Seen, bevel_height_mm, margin_truth, surface_truth, visible_run

SURVEY_PX_PER_MM = 30.0

__all__ = ["Mouth", "Opening", "Shot", "photograph"]


def photograph(mouth: Mouth, shot: Shot) -> Scene:
    """Photograph a mouth: pixels, truth and annotations.

    Parameters
    ----------
    mouth : Mouth
    shot : Shot

    Notes
    -----
    The same mouth under another shot is the same geometry, posed anew; the same pair gives the same bytes.
    """
    stage = _build(mouth, shot.view)
    camera = _camera(mouth, shot)
    light, seen = draw(stage, mouth, shot, camera)
    rng = np.random.default_rng([shot.seed, 7])
    tooth_depth = float(camera.depth_mm(stage.middle))
    if shot.view == "smile_front":
        light, depth, hidden = lay_lips(light, seen.depth_mm, float(camera.depth_mm(np.zeros(3))), shot)
    else:
        light, depth, hidden = lay_frame(light, seen.depth_mm, tooth_depth, shot)
    seen = Seen(seen.facial * (1.0 - hidden), seen.metal * (1.0 - hidden), seen.gum * (1.0 - hidden), depth)
    light, seen, held = hold(light, seen, mouth, shot, camera, stage, rng)
    nearer = tooth_depth - seen.depth_mm
    pixels = develop(through_lens(light, nearer, shot), shot, rng)
    exif = _exif(shot)
    encoded = None
    if shot.jpeg_quality is not None:
        encoded, pixels = encode_jpeg(pixels, shot.jpeg_quality, exif)
    truth, run = _truth(mouth, shot, stage, camera, seen)
    if held is not None:
        truth["mm_per_px_along_reference"], truth["reference"] = held.scale_mm_per_px, held.truth
    annotations = _annotations(mouth, shot, stage, camera, seen, run, rng)
    if held is not None:
        annotations["features"].insert(0, held.feature)
    masks = {name: getattr(seen, name) >= 0.5 for name in ("facial", "metal", "gum")}
    return Scene(pixels, annotations, truth, exif, masks, encoded)


def _build(mouth: Mouth, view: str) -> Stage:
    if view == "occlusal":
        return build_occlusal(mouth)
    if view == "lingual":
        return build_facial(mouth, "lingual")
    if view in ("facial", "stage"):
        return build_facial(mouth, "facial")
    if view == "smile_front" and mouth.upper:
        return build_smile(mouth)
    raise ValueError(f"view must be facial, lingual, occlusal, stage, or smile_front of an upper tooth; got {view!r}")


def _camera(mouth: Mouth, shot: Shot) -> Camera:
    return aim_camera(
        yaw_deg=shot.yaw_deg, pitch_deg=shot.pitch_deg, roll_deg=shot.roll_deg,
        distance_mm=object_distance_mm(shot.focal_length_mm, magnification(shot)), px_per_mm=shot.px_per_mm,
        size_px=(shot.width_px, shot.height_px), aim_mm=shot.aim_mm,
        mirror_x=_reversed(mouth, shot), mirror_y=not mouth.upper,
    )  # fmt: skip


def _reversed(mouth: Mouth, shot: Shot) -> bool:
    """Whether mesial lies to the left in the photo; seen from the tongue it is the other way round than from the cheek."""
    turned = (not mouth.right_side) != shot.mirror
    return turned != (shot.view == "lingual")


def _exif(shot: Shot) -> dict[str, Any]:
    when = shot.captured_on.replace("-", ":") + " 10:15:00"
    per_inch = 25400.0 / shot.pixel_pitch_um
    return {
        "Make": "Drawn scene", "Model": "Pinhole and thin lens", "Software": "restoration-audit synthetic", "Orientation": 1,
        "DateTime": when, "DateTimeOriginal": when, "DateTimeDigitized": when, "FNumber": shot.f_number,
        "FocalLength": shot.focal_length_mm, "FocalPlaneXResolution": per_inch, "FocalPlaneYResolution": per_inch,
        "FocalPlaneResolutionUnit": 2, "ExposureTime": 1 / 160, "ISOSpeedRatings": 200,
    }  # fmt: skip


def _truth(mouth: Mouth, shot: Shot, stage: Stage, camera: Camera, seen: Seen) -> tuple[dict[str, Any], np.ndarray]:
    run = visible_run(stage.margin, camera, seen)
    margin, openings = margin_truth(mouth, stage, run, camera)
    square, straight = _straight_on(mouth, shot.view, round(object_distance_mm(shot.focal_length_mm, magnification(shot)), -1))
    depth = float(camera.depth_mm(stage.middle))
    truth = {
        "schema": 1, "seed": mouth.seed, "shot_seed": shot.seed, "view": shot.view, "mirror": shot.mirror,
        "mesial_is": "left" if _reversed(mouth, shot) else "right",
        "mm_per_px": depth / camera.focal_px,
        "blur_sigma_px": float(blur_sigma_px(shot, 0.0)),
        "pose": {"yaw_deg": shot.yaw_deg, "pitch_deg": shot.pitch_deg, "roll_deg": shot.roll_deg, "distance_mm": depth},
        "measurands": {**surface_truth(seen, camera, stage), **margin},
        "normal_view": straight,
        "openings": openings,
        "bevel_height_mm": {"photo": bevel_height_mm(stage, camera), "normal_view": bevel_height_mm(stage, square)},
    }  # fmt: skip
    return truth, run


@lru_cache(maxsize=16)
def _straight_on(mouth: Mouth, view: str, distance_mm: float) -> tuple[Camera, dict[str, float]]:
    """A camera straight in front of the tooth, and what it would measure."""
    stage = _build(mouth, view)
    square = aim_camera(yaw_deg=0.0, pitch_deg=0.0, roll_deg=0.0, distance_mm=distance_mm, px_per_mm=SURVEY_PX_PER_MM, size_px=(3, 3))
    seen = survey(stage, mouth, square)
    margin, _ = margin_truth(mouth, stage, visible_run(stage.margin, square, seen), square)
    return square, {**surface_truth(seen, square, stage), **margin}


def _annotations(
    mouth: Mouth, shot: Shot, stage: Stage, camera: Camera, seen: Seen, run: np.ndarray, rng: np.random.Generator,
) -> dict[str, Any]:  # fmt: skip
    size = (shot.width_px, shot.height_px)
    way = "mirror" if shot.mirror else "direct"
    step = max(2.0, 0.3 * shot.px_per_mm, 5.0 * shot.hand_px) if shot.hand_px > 0 else 2.0
    features = [feature("metal", None, seen_in=way)]
    ring = outline(seen.facial)
    if stage.outline_role is not None and len(ring) > 8:
        features.insert(0, feature(stage.outline_role, hand_polygon(ring, step, shot.hand_px, rng, size), seen_in=way))
    if run.sum() > 2:
        line = hand_line(camera.project(stage.margin[run]), step, shot.hand_px, rng, size)
        features.append(feature("margin", line, surface=stage.surface, seen_in=way))
    if len(stage.gingival_margin):
        line = hand_line(camera.project(stage.gingival_margin), step, shot.hand_px, rng, size)
        features.append(feature("gingival_margin", line, seen_in=way))
    quadrant = (1 if mouth.right_side else 2) if mouth.upper else (4 if mouth.right_side else 3)
    return {
        "type": "FeatureCollection", "tooth": f"{quadrant}{6 if mouth.kind == 'molar' else 5}", "tooth_notation": "iso3950",
        "design": mouth.design, "alloy": mouth.alloy, "view": shot.view, "modality": "photo", "features": features,
    }  # fmt: skip
