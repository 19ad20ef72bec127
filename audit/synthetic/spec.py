"""What can be ordered: a mouth with one audited restoration, and a shot of it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Mouth", "Opening", "Shot"]


@dataclass(frozen=True)
class Opening:
    """A marginal opening: a slot of constant width along a stretch of the margin.

    Parameters
    ----------
    start_mm, end_mm : float
        Along the visible margin from its mesial end, seen from straight in front; the last 0.15 mm at each end taper.
    width_um : float
        At right angles to the margin, seen from straight in front.
    lightness : float
        Of the crevice, 0 black to 1 as light as the enamel beside it.
    """

    start_mm: float
    end_mm: float
    width_um: float
    lightness: float = 0.06


@dataclass(frozen=True)
class Mouth:
    """One mouth with one audited restoration; the same mouth can be photographed again and again.

    Parameters
    ----------
    seed : int
        Shape, shades and textures follow from it.
    upper, right_side : bool
        Where the tooth stands.
    kind : {'molar', 'premolar'}
    design, alloy : str
        Words of the vocabulary; an alloy of gold or white.
    band_mm : float
        Height of the finishing bevel over the mesiofacial cusp, seen from straight in front.
    bevel_slope_deg : float
        Inclination of that bevel to the facial plane.
    finish_line_mm : float
        Distance from the cervical finish line to the gingival margin before any recession.
    openings : tuple of Opening
    recession_mm, chip_mm, perforation_mm : float
        Gingival recession; length of an enamel chip at the mesiofacial bevel; diameter of an occlusal perforation.
    stain : float
        Brown line along the margin, 0 none to 1.
    prepared : bool
        The tooth is cut and bears no metal yet (a stage picture).
    """

    seed: int = 1
    upper: bool = True
    right_side: bool = True
    kind: str = "molar"
    design: str = "seven_eighths"
    alloy: str = "gold"
    band_mm: float = 0.4
    bevel_slope_deg: float = 45.0
    finish_line_mm: float = 0.9
    openings: tuple[Opening, ...] = ()
    recession_mm: float = 0.0
    chip_mm: float = 0.0
    perforation_mm: float = 0.0
    stain: float = 0.0
    prepared: bool = False


@dataclass(frozen=True)
class Shot:
    """How a mouth is photographed.

    Parameters
    ----------
    view : {'facial', 'occlusal', 'lingual', 'smile_front', 'stage'}
    yaw_deg, pitch_deg, roll_deg : float
        Camera moved to the image's right, moved up, and turned, from straight in front of the tooth.
    mirror : bool
        The tooth is seen in a mirror: the photo is reflected.
    width_px, height_px : int
    px_per_mm : float
        At the aimed point of the tooth.
    aim_mm : tuple of float
        Point of the mouth at the middle of the photo, from the tooth's middle, along the photo's x and y.
    focal_length_mm, f_number, pixel_pitch_um : float
        Pitch is that of the delivered pixels on the sensor; with `px_per_mm` it gives the magnification.
    focus_offset_mm : float
        Plane of focus nearer to the camera than the tooth.
    lens_sigma_px, sharpening : float
        Blur beside diffraction and defocus; amount of the camera's unsharp mask.
    light_level, white_balance : float
        1 is a correct exposure; white balance above 1 is warmer.
    tone : float
        Strength of the camera's S-shaped tone curve beside sRGB; 0 is plain sRGB.
    saliva : float
        0 dry to 1 wet.
    noise : float
        1 is a sensor at base sensitivity (30 000 electrons at white).
    jpeg_quality : int or None
        ``None`` keeps the pixels uncompressed.
    reference : {'rule', 'rod', 'probe'} or None
    reference_offset_mm : float
        Reference nearer to the camera than the tooth.
    stated_offset_mm, u_offset_mm : float
        What the annotation says of it; the stated value is the true one where ``None``.
    reference_tilt_deg, reference_turn_deg : float
        Inclination of its long axis to the sensor; direction of that axis in the photo.
    reference_at_mm : tuple of float or None
        Its middle in the photo, from the middle of the photo; chosen by view where ``None``.
    reference_diameter_mm : float
        Of a rod.
    rule_white : bool
        White plastic rather than steel.
    reference_seen_in : {'direct', 'mirror'} or None
        ``None``: the same way as the tooth.
    hand_px : float
        Standard deviation of the hand that traces, pixels.
    captured_on : str
        ISO date; seed: of noise, hand and saliva.
    """

    view: str = "facial"
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    mirror: bool = False
    width_px: int = 1200
    height_px: int = 900
    px_per_mm: float = 36.0
    aim_mm: tuple[float, float] = (0.0, 0.0)
    focal_length_mm: float = 100.0
    f_number: float = 22.0
    pixel_pitch_um: float = 14.0
    focus_offset_mm: float = 0.0
    lens_sigma_px: float = 0.5
    sharpening: float = 0.4
    light_level: float = 1.0
    white_balance: float = 1.0
    tone: float = 0.0
    saliva: float = 0.6
    noise: float = 1.0
    jpeg_quality: int | None = 92
    reference: str | None = "rule"
    reference_offset_mm: float = 1.0
    stated_offset_mm: float | None = None
    u_offset_mm: float = 0.5
    reference_tilt_deg: float = 0.0
    reference_turn_deg: float = 0.0
    reference_at_mm: tuple[float, float] | None = None
    reference_diameter_mm: float = 2.35
    rule_white: bool = False
    reference_seen_in: str | None = None
    hand_px: float = 0.0
    captured_on: str = "2024-03-04"
    seed: int = 1
