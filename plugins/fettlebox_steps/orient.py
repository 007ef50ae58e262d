"""orient: turn the part Z up, and a face to the front, where that is clear."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import (
    HoldError,
    Origin,
    Part,
    Ratio,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)
from pydantic import Field

if TYPE_CHECKING:
    from .geometry.measures import Floats
    from .geometry.up_axis import Stance

Axis = Literal["+x", "-x", "+y", "-y", "+z", "-z"]
Sign = Literal["opening", "base", "symmetry", "outline", "scanner"]
SIGNS: tuple[Sign, ...] = ("opening", "base", "symmetry", "outline", "scanner")

DECLARED: Mapping[str, float] = {"+z": 0.90, "+x": 0.02, "-x": 0.02, "+y": 0.02, "-y": 0.02, "-z": 0.02}
"""What a declared up axis is worth against the surface itself (common practice, no published source): one
file in ten was exported with another axis up than its format says."""


class Params(StepParams):
    up: Literal["auto", "as is"] | Axis = Field(
        "auto", description="`auto`: judged. `as is`: leave it. Else the axis of the scan that is up."
    )
    front: Literal["auto", "as is"] | Axis = Field(
        "auto",
        description="What turns to the front, -Y. `auto`: the side that a one-sided scan is seen from, else "
        "nothing. `as is`: leave it. Else an axis of the scan.",
    )
    by: tuple[Sign, ...] = Field(
        SIGNS,
        min_length=1,
        description="What `auto` goes by: the `opening` of a neck or bottom, a flat `base`, mirror "
        "`symmetry`, the `outline` of a face, the habit of the `scanner`.",
    )
    sure: Ratio = quantity(
        "90 %",
        at_least="50 %",
        at_most="99.9 %",
        about="How likely the best direction must be; below it the job is held.",
    )


@step(
    "orient",
    version=1,
    summary="Turn the part upright: as given, declared or judged.",
    shorthand="up",
)
def orient(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """The smallest turn that points up to +Z; then, if the front is known, about Z until it looks to -Y.

    Limits:
        - `auto` weighs signs that can each mislead: a neck's or bottom's opening, a flat base, mirror
          planes, a face's outline, the habit of scanners. It knows no faces and no subjects; a lying
          figure without any of these signs is held.
        - The front is found only for a scan from one side. Of a subject scanned all round it is not known,
          and nothing is turned about Z.
        - Held: no direction as likely as `sure`; a file's declared up axis that the shape clearly
          contradicts. A ticket's is believed.
        - Refuses a scan that is nothing but scraps, and a `front` that points up or down.
    Sources:
        - P. Besl, N. McKay, "A method for registration of 3-D shapes", 1992, and Y. Chen, G. Medioni,
          "Object modelling by registration", 1992: mirror planes are refined by matching the mirrored
          surface.
        - A. Cauchy, 1841: the mean shadow of a convex body is a quarter of its area; flat faces are sized
          by it.
        - How often each sign misleads is common practice without a published source; the signs are weighed
          by Bayes' rule.
    Facts:
        up_from: whether up was declared, by what, judged by shape, given, or left
        likely_ratio: how likely that direction is, if the shape was looked at
        up: the direction of the scan that is up now, a unit vector
        front_from: where the front is known from
        front: the direction of the scan that looks to -Y now, a unit vector; nothing if it is not known
        turned_deg: how far the part was turned
        turn: the turn, four rows of a matrix
    Evidence:
        sure_ratio: how likely the best direction had to be
        candidates.name, candidates.up, candidates.likely_ratio: each direction that was weighed, likeliest
            first
        candidates.by.<sign>: how well it goes with each sign, 1 the best
        found.<sign>: what each sign found on the surface
    Recipe:
        - units: {expect: head}
        - orient
    Scan: witch.zip
    """
    import numpy as np

    from .geometry.measures import NOTHING_BUT_SCRAPS, main_pieces
    from .geometry.resting import turn_to
    from .geometry.up_axis import AXES, SCANNER, judge_up

    vertices, faces = main_pieces(part.vertices, part.faces)
    if not len(faces):
        raise StepError(NOTHING_BUT_SCRAPS)
    evidence: dict[str, Any] = {}
    stance: Stance | None = None
    facts: dict[str, Any]
    upright = np.array([0.0, 0.0, 1.0])
    if params.up == "auto":
        declared = ctx.origin.up
        prior = DECLARED if declared else SCANNER if "scanner" in params.by else dict.fromkeys(AXES, 1 / 6)
        stance = judge_up(vertices, faces, params.by, prior)
        evidence = _shown(stance, params.sure)
        up = _declared(stance, params, ctx.origin) if declared else _judged(stance, params)
        facts = {
            "up_from": f"declared by the {ctx.origin.up_from}" if declared else "judged by shape",
            "likely_ratio": float(stance.probability[_nearest(stance, up)]),
        }
    elif params.up == "as is":
        up, facts = upright, {"up_from": "left as it was"}
    else:
        up, facts = np.array(AXES[params.up]), {"up_from": "given by the recipe"}
    turn = turn_to(up, upright)
    front, front_from = _front(params, stance, up)
    if front is not None:
        turn = _to_front(turn @ np.array([*front, 0.0])) @ turn
    turn = _exact(turn)
    facts |= {
        "up": [float(v) for v in up],
        "front_from": front_from,
        "front": None if front is None else [float(v) for v in front],
        "turned_deg": float(np.degrees(np.arccos(np.clip((np.trace(turn[:3, :3]) - 1.0) / 2.0, -1.0, 1.0)))),
        "turn": [[float(v) for v in row] for row in turn],
    }
    moved = part if (turn == np.eye(4)).all() else part.moved(turn)
    return StepResult(moved, facts, (), evidence)


def _judged(stance: Stance, params: Params) -> Floats:
    ranked = stance.ranked
    best, second = ranked[0], ranked[1]
    likely = float(stance.probability[best])
    if likely < params.sure:
        raise HoldError(
            f"which way is up is not clear: {_said(stance, best)} is {likely:.0%} likely, "
            f"{_said(stance, second)} {float(stance.probability[second]):.0%}, and {params.sure:.0%} is "
            f"asked for; give the axis that is up in the ticket (`up: '{_axis(stance, best)}'`)",
            _shown(stance, params.sure),
        )
    return _pick(stance, best)


def _declared(stance: Stance, params: Params, origin: Origin) -> Floats:
    """A declared up axis, already Z, stands; a file's only if the shape does not clearly say otherwise."""
    import numpy as np

    best = stance.ranked[0]
    doubtful = stance.names[best] != "+z" and stance.probability[best] >= params.sure
    if doubtful and origin.up_from == "file":
        raise HoldError(
            f"the file declares {origin.up} up, but by its shape {_said(stance, best)} of the part as it now "
            f"stands points up ({float(stance.probability[best]):.0%} likely); confirm or correct it in "
            "the ticket",
            _shown(stance, params.sure),
        )
    return np.array([0.0, 0.0, 1.0])


def _front(params: Params, stance: Stance | None, up: Floats) -> tuple[Floats | None, str]:
    """The horizontal direction that should look to -Y, in the part's coordinates, and where it is from."""
    import numpy as np

    from .geometry.up_axis import AXES, level_front

    if params.front == "as is":
        return None, "left as it was"
    if params.front != "auto":
        given = np.array(AXES[params.front])
        if abs(given @ up) > 0.5:
            raise StepError(f"the front cannot be {params.front}, which points up or down; give another axis")
        return given, "given by the recipe"
    front = None if stance is None else level_front(stance, up)
    return front, "not known" if front is None else "the side it was scanned from"


def _to_front(front: Floats) -> Floats:
    """Turn about Z that makes the direction `front` (4,) look to -Y."""
    import numpy as np

    from .geometry.fit import about_z

    return about_z(-90.0 - float(np.degrees(np.arctan2(front[1], front[0]))))


def _exact(turn: Floats) -> Floats:
    """Entries that are 0 or ±1 but for rounding are made so: a turn between axes moves no bit it need not."""
    import numpy as np

    whole = np.round(turn)
    return np.where(np.abs(turn - whole) < 1e-12, whole + 0.0, turn)


def _pick(stance: Stance, k: int) -> Floats:
    import numpy as np

    return np.asarray(stance.candidates[k], dtype=np.float64)


def _nearest(stance: Stance, up: Floats) -> int:
    import numpy as np

    return int(np.argmax(stance.candidates @ up))


def _axis(stance: Stance, k: int) -> str:
    from .geometry.up_axis import AXES

    return max(AXES, key=lambda name: float(stance.candidates[k] @ AXES[name]))


def _said(stance: Stance, k: int) -> str:
    name = stance.names[k]
    return name if name == _axis(stance, k) else f"a direction near {_axis(stance, k)}"


def _shown(stance: Stance, sure: float) -> dict[str, Any]:
    return {
        "sure_ratio": sure,
        "candidates": [
            {
                "name": stance.names[k],
                "up": [float(v) for v in stance.candidates[k]],
                "likely_ratio": float(stance.probability[k]),
                "by": {item.kind: float(item.likelihood[k]) for item in stance.evidence},
            }
            for k in stance.ranked
        ],
        "found": {item.kind: dict(item.found) for item in stance.evidence},
    }
