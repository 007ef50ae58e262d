"""What a cut must not take: the scan's own surface, told from what closing made, and what hangs down free."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fettlebox.api import Part, StepError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .geometry.scan_surface import ScanSurface

    Floats = NDArray[np.float64]

SCAN_POINTS = 20_000
"""Points that stand for the scan's surface: shares of it are then known to a ten-thousandth or so."""

STRAY_SHARE = 0.01
"""What of a scan lies outside the part's box by more than this share of its diagonal is none of the part: a
crumb that repair dropped."""

HANGS_SHARE, FOOT_SHARE = 0.015, 0.05
"""What hangs down by less than this share of the part's height is texture; what ends within this share of its
lowest point is what it stands on. Our judgement: a chin over a neck hangs by a twentieth and more."""

UNDERSIDE_SHARE = 0.002
"""Of the whole surface: smaller undersides are texture. A chin's is half a percent and more."""


@dataclass(frozen=True, eq=False)
class KnownScan:
    """The scan as far as it is still on a part, in the part's coordinates.

    surface      points spread over it
    area_mm2     of all of it
    corners (p,3) its vertices
    low_mm, high_mm   from where to where it reaches along Z, within the part's box
    end          a point (3,) and the unit normal (3,), outward, of the plane beyond which the flat base that
                 closed the scan was built on: beside that, through the scan's last point; None without a base
    """

    surface: ScanSurface
    area_mm2: float
    corners: Floats
    low_mm: float
    high_mm: float
    end: tuple[Floats, Floats] | None = None

    def volume_mm3(self, part: Part) -> float:
        """What the part, or what a cut left of it, holds without what was built on to close the scan."""
        from .geometry.measures import volume_and_centroid
        from .geometry.side_volume import volume_behind

        if self.end is None:
            return volume_and_centroid(part.vertices, part.faces)[0]
        return volume_behind(part.vertices, part.faces, *self.end)

    def kept(self, part: Part, left: Part) -> float:
        """Share of that volume that a cut left of the part; of the whole volume if the scan encloses none."""
        from .geometry.measures import volume_and_centroid

        whole_mm3 = self.volume_mm3(part)
        if whole_mm3 > 0:
            return self.volume_mm3(left) / whole_mm3
        before_mm3, after_mm3 = (volume_and_centroid(one.vertices, one.faces)[0] for one in (part, left))
        return after_mm3 / before_mm3

    def upper(self, share: float) -> Floats:
        """(k,3) its vertices in an upper share of its height."""
        line_mm = self.high_mm - share * (self.high_mm - self.low_mm)
        return self.corners[self.corners[:, 2] >= line_mm]

    def taken(self, planes: list[tuple[Floats, Floats]], up: Floats) -> tuple[float, float]:
        """Shares that cuts take: of all, and of what is seen of a part that stands with `up` (3,) upward.
        A plane is a point (3,) and its unit normal (3,) into what stays.
        """
        gone = self._gone(planes)
        seen = self.surface.is_seen(up)
        return float(gone.mean()), float(gone[seen].mean()) if seen.any() else 0.0

    def cut_by(self, planes: list[tuple[Floats, Floats]]) -> ScanSurface:
        """Its surface, where it is known what cuts by planes take whatever is cut beside."""
        return replace(self.surface, gone=self._gone(planes)) if planes else self.surface

    def _gone(self, planes: list[tuple[Floats, Floats]]) -> NDArray[np.bool_]:
        import numpy as np

        gone = np.zeros(len(self.surface.points), dtype=np.bool_)
        for point, normal in planes:
            gone |= (self.surface.points - point) @ normal < 0
        return gone


def known_scan(part: Part, reference: Part) -> KnownScan:
    """The scan that a part was made from, without what earlier cuts took; where none of it is known to be
    on the part, the part itself. Raises StepError for a part without area.
    """
    import numpy as np

    vertices = reference.vertices
    if part.placement is not reference.placement:
        to_part = part.placement @ np.linalg.inv(reference.placement)
        vertices = vertices @ to_part[:3, :3].T + to_part[:3, 3]
    found = _on_part(part, vertices, reference.faces) or _on_part(part, part.vertices, part.faces)
    if found is None:
        raise StepError("The part has no surface to cut.")
    return found


def _on_part(part: Part, vertices: Floats, faces: NDArray[np.int32]) -> KnownScan | None:
    import numpy as np
    from fettlebox.mesh.surfaces import spread

    from .geometry.scan_surface import ScanSurface
    from .geometry.support_columns import unit_normals

    if not len(faces):
        return None
    low, high = part.bounds
    stray_mm = STRAY_SHARE * float(np.linalg.norm(high - low))

    def on_part(points: Floats) -> NDArray[np.bool_]:
        inside = np.asarray(
            ((points >= low - stray_mm) & (points <= high + stray_mm)).all(axis=1), dtype=np.bool_
        )
        for plane in part.planes:
            if plane.kind == "cut":
                inside &= plane.height_of(points) <= 0
        return inside

    try:
        points, face, area_mm2 = spread(vertices, faces, SCAN_POINTS)
    except ValueError:  # no area
        return None
    there = on_part(points)
    corners = vertices[np.unique(faces)]
    corners = corners[on_part(corners)]
    if not there.any() or not len(corners):
        return None
    normals = unit_normals(vertices, faces[face[there]])
    up = corners[:, 2]
    return KnownScan(
        ScanSurface(np.ascontiguousarray(points[there]), normals),
        area_mm2 * float(there.mean()),
        corners,
        max(float(low[2]), float(up.min())),
        min(float(high[2]), float(up.max())),
        _end_of(part, corners),
    )


def _end_of(part: Part, corners: Floats) -> tuple[Floats, Floats] | None:
    import numpy as np

    base = next((plane for plane in reversed(part.planes) if plane.kind == "base"), None)
    if base is None:
        return None
    normal = np.array(base.normal)
    return corners[int((corners @ normal).argmax())], normal


def hanging_points(part: Part) -> Floats:
    """(k,3) points of what hangs down free or juts out, such as a chin with its underside."""
    from .geometry.hanging import hanging, undersides
    from .geometry.measures import face_areas

    low, high = part.bounds[:, 2]
    tall_mm = float(high - low)
    foot_mm = float(low) + FOOT_SHARE * tall_mm
    large_mm2 = UNDERSIDE_SHARE * float(face_areas(part.vertices, part.faces).sum())
    free = hanging(part.vertices, part.faces, HANGS_SHARE * tall_mm, foot_mm)
    return part.vertices[free | undersides(part.vertices, part.faces, large_mm2, foot_mm)]
