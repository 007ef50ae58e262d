"""smooth: take the scanner's grain off while the likeness stays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from fettlebox.api import Length, Part, Ratio, StepContext, StepError, StepParams, StepResult, quantity, step

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

ON_PLANE = 1e-6
"""A vertex within this share of the part's size lies on a flat face; steps put it there exactly."""

UNSEEN_MM = 0.01
"""Grain that is left by `strength: auto`: a twentieth of an everyday layer, which raking light no longer
shows (our judgement)."""


LEAST_GUARD_MM, GUARD_PER_ERROR = 0.5, 4.0
"""`guard: auto`: half a millimetre, which is no likeness lost (our judgement), or four deviations of the
scanner's points, which one in sixteen thousand is beyond. Where a guard holds back one in a hundred, skin
comes out spotted. Texture does not widen it."""

MOST_HELD_SHARE = 0.01
"""Share of the vertices at the guard from which on the spots are seen, and said (our judgement)."""

GRAIN_AT, TEXTURE_UNDER = 0.7, 0.35
"""What independent errors of the points explain of the fine part of a surface, as a share: nearly all (0.9 to
1.1 measured) where grain was planted on smooth shapes, 0.1 to 0.3 on figurines and heads without any, and
in between on real raw scans, whose errors go together over some triangles."""


class Params(StepParams):
    strength: Ratio | Literal["auto"] = quantity(
        "auto",
        at_least="0 %",
        at_most="100 %",
        about="How much of the grain to take off. auto measures it and leaves what a print does not show.",
    )
    guard: Length | Literal["auto"] = quantity(
        "auto",
        at_least="0 mm",
        about="No point of the surface moves further than this. auto: 0.5 mm, or what strong grain needs.",
    )
    finest: Length | Literal["auto"] = quantity(
        "auto",
        at_least="0.01 mm",
        about="Waves shorter than this are grain, longer ones are shape. auto takes a few triangle edges, "
        "which is how far a scanner's errors go together.",
    )


@step("smooth", version=4, summary="Take the scanner's grain off; the likeness stays.", shorthand="strength")
def smooth(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Waves shorter than `finest` are split off along the surface's normals; of those, what stands out of the
    grain around it is feature and stays, the rest goes as far as `strength` says.

    Limits:
        - Grain and shape are told apart by wavelength and by what stands out. Measured with independent
          errors of 0.1 to 0.6 of an edge: rounded bumps an edge high and two and a half wide keep nine
          tenths, and so do ones with flat tops and steep sides. Of those two edges wide, nine tenths stay if
          they are ten times as high as the errors, seven if they are three times. What is narrower, or no
          higher than the grain, goes with it.
        - Where something stands out, grain is only lessened: lips and hair of a grainy scan stay rougher
          than its skin.
        - `finest: auto` sees through triangles that were cut into smaller ones, and through a surface that
          was laid out anew in ones half as long, if its errors are under a quarter of their edges; beyond,
          give the length.
        - Waves longer than `finest`, such as the bands of a badly registered scan, stay. Bumps and spikes
          are for `knockdown`.
        - No triangle is added or taken away, and the rim of an open surface and flat faces made by earlier
          steps stay where they are.
        - Nothing moves further than `guard`, and where a move would make triangles cross or fold it is
          halved or given up: grain may be left there.
        - Refuses a part without triangles.
    Sources:
        - G. Taubin, T. Zhang, G. Golub, "Optimal surface smoothing as filter design", 1996: the filter.
        - M. Meyer et al., "Discrete differential-geometry operators for triangulated 2-manifolds", 2002:
          its frequencies, in waves to the millimetre.
        - F. Hampel, "The influence curve and its role in robust estimation", 1974: grain as a robust
          deviation.
        - P. Hammer, A. Stroud, "Numerical integration over simplexes", 1956: measured the same in smaller
          triangles.
        - D. North, 1943, reprinted 1963: features are looked for with blurs of their own width.
        - What of the grain no print shows is our judgement.
    Facts:
        grain_before_mm, grain_after_mm: deviation of the surface from itself without waves shorter than
            twice `finest`, before and after, measured the same way. On smooth shapes what is left is at
            most 1.4 times that (2.2 times in noise of 0.6 mm); on carved and furry ones most of it is texture
        noise_mm: deviation over the surface of the scanner's noise, to a quarter (measured on planted noise,
            also after the surface was laid out anew or simplified); where `noise_told` is false, at most that
        noise_told: whether noise could be told from texture and form
        points_err_mm: what the scanner's points err by, each for itself
        finest_mm: the wavelength under which waves are grain
        strength_percent: how much of the grain was to go
        guard_mm: how far a point might move at most
        volume_change_percent: change of the volume; of an open surface it says little
        moved_largest_mm, moved_p95_mm: how far vertices were moved, the furthest and the 95th percentile
        at_guard_percent: vertices that went as far as `guard` lets them
        held_back_percent: vertices that moved less than asked, so that nothing crosses or folds
    Evidence:
        grain: what the figures of grain are figures of, in words
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - smooth
    Picture: near
    """
    import numpy as np

    from .geometry import grain_reach, smoothing, surface_links

    if not len(part.faces):
        raise StepError("There is nothing to smooth: the part has no triangles.")
    order, vertices, faces = surface_links.near_in_memory(part.vertices, part.faces)
    links = surface_links.links_of(faces, len(vertices))
    pinned = _flat(part)[order] | links.rim
    if isinstance(params.finest, str):
        finest_mm = smoothing.usual_finest(vertices, faces, links)
    else:
        finest_mm = params.finest
    fine = smoothing.fine_part(vertices, faces, pinned, finest_mm, links)
    # Where nothing is to be taken off, it need not be known how far it reaches.
    reach = grain_reach.reach(fine) if fine.grain_mm > UNSEEN_MM else 1.0
    if reach > 1.0 and isinstance(params.finest, str):
        finest_mm = smoothing.usual_finest(vertices, faces, links, reach)
        fine = smoothing.fine_part(vertices, faces, pinned, finest_mm, links)
    ctx.progress(0.4)
    if isinstance(params.strength, str):
        strength = 1.0 - UNSEEN_MM / fine.grain_mm if fine.grain_mm > UNSEEN_MM else 0.0
    else:
        strength = params.strength
    if isinstance(params.guard, str):
        guard_mm = max(LEAST_GUARD_MM, GUARD_PER_ERROR * fine.points_err_mm)
    else:
        guard_mm = params.guard
    asked = smoothing.taken_off(fine, strength, guard_mm)
    smoothed, moved = smoothing.moved_safely(vertices, faces, fine.normal, asked, links)
    ctx.progress(0.9)
    distance = np.abs(moved)
    volume = _volume(vertices, faces)
    explained = grain_reach.explained_share(fine)
    at_guard = distance >= guard_mm * (1 - 1e-9)
    facts = {
        "grain_before_mm": fine.broad_mm,
        "grain_after_mm": smoothing.grain_left(fine, moved),
        "noise_mm": grain_reach.noise_mm(fine),
        "noise_told": bool(explained >= GRAIN_AT),
        "points_err_mm": fine.points_err_mm,
        "finest_mm": finest_mm,
        "strength_percent": 100.0 * strength,
        "guard_mm": guard_mm,
        "volume_change_percent": 100.0 * (_volume(smoothed, faces) / volume - 1.0) if volume else 0.0,
        "moved_largest_mm": float(distance.max()),
        "moved_p95_mm": float(np.percentile(distance, 95)),
        "at_guard_percent": 100.0 * float(at_guard.mean()),
        "held_back_percent": 100.0 * float((np.abs(moved) < np.abs(asked)).mean()),
    }
    warnings: tuple[str, ...] = ()
    if guard_mm > 0 and explained >= GRAIN_AT and at_guard.mean() > MOST_HELD_SHARE:
        warnings = (
            f"The guard of {guard_mm:g} mm held back {100 * at_guard.mean():.0f} % of the points, which stay "
            f"as spots: the scanner's points err by {facts['points_err_mm']:.2g} mm. `guard: auto` allows "
            "four times that.",
        )
    if not facts["noise_told"] and fine.grain_mm > UNSEEN_MM and isinstance(params.strength, str):
        warnings += (
            "Noise could not be told from texture here, so `strength: auto` went by both: look whether fine "
            "texture is still there, or give a strength.",
        )
    evidence = {"grain": _read_as(explained, smoothing.BROAD * finest_mm)}
    result = np.empty_like(smoothed)
    result[order] = smoothed
    return StepResult(part.with_mesh(result, part.faces, part.colours), facts, warnings, evidence)


def _read_as(explained: float, up_to_mm: float) -> str:
    """What the two figures of grain are figures of, in words."""
    if explained >= GRAIN_AT:
        nature = "grain: points of the scan that err each for itself explain it"
    elif explained >= TEXTURE_UNDER:
        nature = "in part points of the scan that err each for itself, in part texture or wider grain"
    else:
        nature = "texture and form, or grain that was smoothed before: points do not err each for itself"
    return (
        "grain_before_mm and grain_after_mm say how far the surface is off itself without waves under "
        f"{up_to_mm:.2g} mm, as a deviation; form and texture of that size count in both. "
        f"Here it is {nature}."
    )


def _flat(part: Part) -> NDArray[np.bool_]:
    """(n,) vertices of triangles that lie in a flat face made on purpose."""
    import numpy as np

    flat = np.zeros(len(part.vertices), dtype=np.bool_)
    near_mm = ON_PLANE * float(np.ptp(part.bounds, axis=0).max())
    for plane in part.planes:
        on = np.abs(plane.height_of(part.vertices)) < near_mm
        flat[part.faces[on[part.faces].all(axis=1)]] = True
    return flat


def _volume(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> float:
    from .geometry.measures import volume_and_centroid

    return volume_and_centroid(vertices, faces)[0]
