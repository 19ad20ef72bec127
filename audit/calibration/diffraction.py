"""The least blur that a lens can leave: diffraction at the aperture, as a Gaussian."""

from __future__ import annotations

from typing import Any

from audit.core.quantity import Quantity
from audit.core.records import Photo

__all__ = ["against_diffraction", "diffraction_sigma_px"]

_WAVELENGTH_UM = 0.55


def diffraction_sigma_px(photo: Photo, mm_per_px: float) -> float | None:
    """Standard deviation of the Gaussian nearest to the Airy pattern, pixels; ``None`` where the file does not tell.

    Notes
    -----
    ``0.42 lambda N (1 + m)`` at f-number N and reproduction ratio m = pitch / scale, for green light.

    References
    ----------
    Zhang, Zerubia, Olivo-Marin, Appl Opt 2007;46:1819-1829, https://doi.org/10.1364/AO.46.001819: sigma = 0.21 lambda / NA for
    the in-focus two-dimensional paraxial pattern; NA = 1 / (2 N (1 + m)).
    """
    optics = photo.optics
    if optics.f_number is None or optics.pixel_pitch_um is None or "resampled" in photo.flags:
        return None
    ratio = optics.pixel_pitch_um / 1000.0 / mm_per_px
    return 0.42 * _WAVELENGTH_UM * optics.f_number * (1.0 + ratio) / optics.pixel_pitch_um


def against_diffraction(photo: Photo, mm_per_px: float, blur: Quantity | None) -> dict[str, Any]:
    """The blur of a reference beside that least blur, for the evidence; empty where either is unknown."""
    least = diffraction_sigma_px(photo, mm_per_px)
    if least is None or blur is None:
        return {}
    return {"diffraction_sigma_px": least, "blur_over_diffraction": blur.value / least}
