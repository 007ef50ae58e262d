"""How the part stands on the flange: what of it joins, and where it would be in the way of screws."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from fettlebox.api import (
    Part,
    StepError,
)
from numpy.typing import NDArray

from .params import Params
from .solids import as_solid, large_patches, outline_of, shadow_between

SMALL_JOINT = 0.05
"""Of the part's area seen from above, as far as `reach` goes (common practice, no published source)."""

NEAR_MM = 2.0
"""Below this, support can hardly be taken out from under the part (common practice, no published source)."""

FOOT_SHARE = 0.25
"""A patch smaller than this share of the largest is no foot, but something that hangs low (our judgement)."""

GAPS = 0.005
"""Share of the foot that may not touch the flange without a word: a scratch in it."""


@dataclass(frozen=True)
class Standing:
    """The part above a flange that is built on z = 0.

    part         moved up by so much that it is let into the flange, or into its neck
    top_mm, foot_mm   heights of the flange's top and of the neck's, which is where the part begins
    solid, above the whole part as a solid, and what of it is above `foot_mm`
    section      where the two meet, without what is no foot: patches below `least_share` of the largest
    foot         its outline, without gaps inside
    shadow       a shapely geometry: all that is in the way of a screw head or a key, seen from above
    centre       (2,) the middle of the least circle round the foot
    """

    part: Part
    top_mm: float
    foot_mm: float
    solid: Any
    above: Any
    section: Any
    least_share: float
    foot: Any
    shadow: Any
    centre: NDArray[np.float64]

    @property
    def joint_mm2(self) -> float:
        """Area on which part and mount are one."""
        return float(self.section.area())

    @property
    def wide_mm(self) -> float:
        """Diameter of the least circle round the foot."""
        return 2.0 * float(shapely.minimum_bounding_radius(self.foot))


def stand(part: Part, params: Params) -> Standing:
    """Let the part into a flange. Raises StepError for one that is no solid, or not high enough."""
    low_mm, high_mm = (float(v) for v in part.bounds[:, 2])
    if not len(part.faces) or high_mm - low_mm <= params.sink:
        raise StepError(
            f"The part is {high_mm - low_mm:.3g} mm high, and {params.sink:g} mm of it would be let into the "
            "flange; make it larger, or let it in less with `sink`."
        )
    # The flange is built on z = 0 and the part let into its top: numbers stay small wherever the part was.
    top_mm = params.thickness
    foot_mm = top_mm + params.neck
    up = np.eye(4)
    up[2, 3] = foot_mm - params.sink - low_mm
    lifted = part.moved(up)
    try:
        solid = as_solid(lifted.vertices, lifted.faces)
    except ValueError as error:
        raise StepError(f"The part cannot have a mount: {error}; put repair before mount.") from error
    above = solid.trim_by_plane((0.0, 0.0, 1.0), foot_mm)
    section = solid.slice(foot_mm)
    if section.is_empty() or above.is_empty():
        raise StepError("The part does not reach above the flange; let it in less with `sink`.")
    # A chin that only just comes down to the foot gets no column of its own, unless it is too low to be free.
    least_share = FOOT_SHARE if params.neck >= NEAR_MM else 0.0
    section = large_patches(section, least_share)
    foot = outline_of(section)
    centre = np.array(shapely.minimum_bounding_circle(foot).centroid.coords[0])
    highest_mm = max(top_mm + params.reach, foot_mm + NEAR_MM)
    shadow = shapely.union(foot, shadow_between(solid, foot_mm, highest_mm))
    return Standing(lifted, top_mm, foot_mm, solid, above, section, least_share, foot, shadow, centre)


def loose(standing: Standing, params: Params) -> Iterator[str]:
    """What is wrong with how the part stands on the flange, in sentences."""
    joint_mm2, foot_mm2 = standing.joint_mm2, float(standing.foot.area)
    stands_mm2 = float(standing.shadow.area)
    near_mm2 = 0.0
    if params.neck < NEAR_MM:
        near = shadow_between(standing.solid, standing.foot_mm, standing.top_mm + NEAR_MM)
        near_mm2 = float(shapely.difference(near, shapely.buffer(standing.foot, NEAR_MM)).area)
    if joint_mm2 < SMALL_JOINT * stands_mm2:
        yield (
            f"Only {joint_mm2:.3g} mm2 of the part join the flange, below {stands_mm2:.4g} mm2 of it: it may "
            "break off. Give it a flat foot with cut, or let it in deeper with `sink`."
        )
    if foot_mm2 - joint_mm2 > GAPS * foot_mm2:
        yield (
            f"The foot is not flat: {foot_mm2 - joint_mm2:.3g} mm2 inside of it do not touch the flange, "
            "and what is caught there stays. Give it a flat foot with cut, or let it in deeper with `sink`."
        )
    if near_mm2 > 0.01 * foot_mm2:
        yield (
            f"{near_mm2:.3g} mm2 of the part hang less than {NEAR_MM:g} mm above the flange and may grow "
            "together with it. Hold the part higher with `neck`, or cut it higher up."
        )
