"""Whether a placement may be trusted, and if not, why, in words."""

from __future__ import annotations

import numpy as np

from kerfmark.errors import AlignmentError
from kerfmark.records import FloatArray
from kerfmark.registration.placement import Placement, shift_covariance, worst_shift_mm
from kerfmark.registration.scene import Scene

__all__ = ["holds", "is_excellent", "largest_rms_mm", "mirror_fits_better", "refusal"]

LEAST_RMS_MM = 0.05
LEAST_OVERLAP = 0.5
LEAST_PARTIAL_OVERLAP = 0.1
MOST_STRAY = 0.6
MOST_PARTIAL_STRAY = 0.08
MOST_DOUBT_MM = 0.1
"""Refused above this: how far the worst corner would move if each square millimetre of the scan erred on its own by 10 µm."""
MOST_SCATTER_MM = 0.03
"""Refused above this, and above twice the stated noise: how far the fit's own scatter leaves the worst corner in doubt."""
MIRROR_GAIN = 0.2
AXES = ("in the mesio-distal direction", "in the facio-lingual direction", "along the long axis")


def largest_rms_mm(noise_mm: float) -> float:
    """Largest residual that is not refused: 1.6 times the stated noise, at least 50 µm."""
    return max(LEAST_RMS_MM, 1.6 * noise_mm)


def is_excellent(placement: Placement | None, *, noise_mm: float) -> bool:
    """So good that nothing else need be tried."""
    return (
        placement is not None
        and placement.fit.rms_mm <= max(0.015, 1.2 * noise_mm)
        and placement.own_overlap >= 0.65
        and placement.stray <= 0.02
    )


def holds(placement: Placement | None, scene: Scene, *, noise_mm: float) -> bool:
    """Whether the placement may be trusted: small residual, enough found or nothing unexplained, no loose direction."""
    if placement is None or placement.fit.rms_mm > largest_rms_mm(noise_mm):
        return False
    whole = placement.own_overlap >= LEAST_OVERLAP and placement.stray <= MOST_STRAY
    partial = placement.own_overlap >= LEAST_PARTIAL_OVERLAP and placement.stray <= MOST_PARTIAL_STRAY
    return (whole or partial) and _is_firm(placement, scene, noise_mm=noise_mm)


def _is_firm(placement: Placement, scene: Scene, *, noise_mm: float) -> bool:
    """Whether no direction is left loose."""
    doubt, scatter = (worst_shift_mm(c, scene) for c in (placement.fit.patch_covariance, placement.fit.covariance))
    return doubt <= MOST_DOUBT_MM and scatter <= max(MOST_SCATTER_MM, 2.0 * noise_mm)


def mirror_fits_better(placement: Placement, image: Placement, scene: Scene, *, noise_mm: float) -> bool:
    """Whether the scan's mirror image fits clearly better: it finds much more, or as much with half the residual."""
    finds_more = image.score > placement.score + MIRROR_GAIN and image.fit.rms_mm < 1.1 * placement.fit.rms_mm
    lies_closer = image.score > placement.score and image.fit.rms_mm < 0.5 * placement.fit.rms_mm
    return holds(image, scene, noise_mm=noise_mm) and (finds_more or lies_closer)


def refusal(
    placement: Placement | None, mirrored: Placement | None, scene: Scene, *, noise_mm: float, name: str
) -> AlignmentError:
    """Why the best placement is refused, said so that the reader knows what to do.

    Parameters
    ----------
    placement : Placement or None
        The best found, which does not hold.
    mirrored : Placement or None
        The best of the scan's mirror image.
    scene : Scene
    noise_mm : float
    name : str
        What to call the scan.
    """
    if holds(mirrored, scene, noise_mm=noise_mm):
        return AlignmentError(
            f"{name} fits only as its mirror image, expected a scan of the exercise as it is. "
            "Export it again without mirroring, or check that it is not the tooth of the other side."
        )
    if placement is None or max(placement.own_overlap, placement.overlap) < LEAST_PARTIAL_OVERLAP:
        return AlignmentError(
            f"{name} has nothing in common with the exercise in any pose, expected the piece with some of what is not cut. "
            "Check that the file and the exercise belong together."
        )
    doubt, firm = worst_shift_mm(placement.fit.patch_covariance, scene), _is_firm(placement, scene, noise_mm=noise_mm)
    small = placement.fit.rms_mm <= largest_rms_mm(noise_mm) and placement.stray <= MOST_PARTIAL_STRAY
    if small and doubt <= MOST_DOUBT_MM and not firm:
        scatter = worst_shift_mm(placement.fit.covariance, scene)
        return AlignmentError(
            f"{name} shows enough of the uncut surface ({100 * placement.overlap:.0f} %) but does not lie on it evenly: the fit leaves its "
            f"place in doubt by {1000 * scatter:.0f} µm, expected at most {1000 * max(MOST_SCATTER_MM, 2.0 * noise_mm):.0f} µm. Check that it "
            "was cut on this version of the exercise's subject, and that the scan is not warped."
        )
    if small and not firm:
        return AlignmentError(
            f"{name} is a fragment: what it shows of the uncut surface ({100 * placement.overlap:.0f} %) leaves it loose, "
            f"most of all {_loose(placement.fit.patch_covariance, scene)} (by {1000 * doubt:.0f} µm for an error of 10 µm, expected at "
            f"most {1000 * MOST_DOUBT_MM:.0f} µm). Scan more of the tooth beside the cut."
        )
    return AlignmentError(
        f"{name} is not the subject of this exercise: at best {100 * placement.own_overlap:.0f} % of the uncut surface is found, "
        f"with a residual of {1000 * placement.fit.rms_mm:.0f} µm and {100 * placement.stray:.0f} % of the scan unexplained, expected "
        f"at most {1000 * largest_rms_mm(noise_mm):.0f} µm. Check that it is the right tooth and the right exercise."
    )


def _loose(covariance: FloatArray, scene: Scene) -> str:
    """The direction in which the worst corner is loosest."""
    low, high = scene.boxes_mm[0]
    corners = np.array(np.meshgrid(*zip(low, high, strict=True))).reshape(3, -1).T
    worst = max((np.linalg.eigh(shift_covariance(covariance, c)) for c in corners), key=lambda e: float(e[0][-1]))
    return AXES[int(np.abs(worst[1][:, -1]).argmax())]
