"""Can this installation do its work? One finding a line, each with what to do."""

from __future__ import annotations

import importlib
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from .catalog import find_steps
from .compiled import SENTENCE, is_cold
from .errors import UsageError
from .own_steps import require_usable
from .plugin_list import counts
from .recipe import load_shop
from .versions import GEOMETRY_LIBRARIES, versions_here

MODULES = {
    "libigl": "igl",
    "fast-simplification": "fast_simplification",
    "mapbox-earcut": "mapbox_earcut",
    "pillow": "PIL",
}


@dataclass(frozen=True)
class Finding:
    """One thing looked at."""

    what: str
    ok: bool
    said: str


def examine(*, warm: bool = False, shop: Path | None = None) -> list[Finding]:
    """Look at Python, the libraries, the plugins, a ray, a shop's own steps, and with `warm` run a small job
    through. Raises RecipeError if the shop's file is wrong.
    """
    own = _own_steps(shop) if shop is not None else None
    version = sys.version_info
    findings = [
        Finding("Python", version >= (3, 11), f"{version.major}.{version.minor} (3.11 or later is needed)"),
        *(_library(name) for name in GEOMETRY_LIBRARIES),
        _plugins(),
        _rays(),
        *([own] if own is not None else []),
    ]
    return [*findings, _warm() if warm else _compiled()]


def _library(name: str) -> Finding:
    module = MODULES.get(name, name)
    try:
        importlib.import_module(module)
    except Exception as error:
        return Finding(
            name, False, f"cannot be loaded ({type(error).__name__}: {error}); run make setup again"
        )
    return Finding(name, True, versions_here()[name])


def _plugins() -> Finding:
    catalog = find_steps()
    if catalog.quarantined:
        said = "; ".join(f"{bad.name} is set aside: {bad.reason}" for bad in catalog.quarantined.values())
        return Finding("plugins", False, said)
    counted = ", ".join(f"{count} {kind}" for kind, count in counts(catalog).items())
    return Finding("plugins", bool(catalog.steps), "; ".join([counted, *catalog.notes]))


def _compiled() -> Finding:
    """Code that is not compiled yet is no fault, only a first job that takes longer."""
    return Finding("compiled code", True, f"not there yet; {SENTENCE}" if is_cold(find_steps()) else "ready")


def _own_steps(shop: Path) -> Finding:
    own = load_shop(shop).own_steps
    try:
        require_usable(own)
    except UsageError as error:
        return Finding("own steps", False, str(error))
    return Finding("own steps", True, ", ".join(one.file for one in own) or "the shop has none")


def _rays() -> Finding:
    """Pictures need no graphics card, but they need the ray library's native part to run."""
    import numpy as np

    from .mesh import Part
    from .pictures import render_views

    corners = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    tetra = Part(corners, np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]], dtype=np.int32))
    try:
        png = render_views(tetra)
    except Exception as error:
        return Finding("pictures", False, f"cannot be drawn ({type(error).__name__}: {error})")
    return Finding("pictures", png.startswith(b"\x89PNG"), "can be drawn")


def _warm() -> Finding:
    """Run a shipped recipe on a shipped scan: everything that is compiled at first use gets compiled."""
    from .run_once import run_once
    from .shipped import shipped

    scan = shipped("inbox_example") / "inbox" / "miller.ply"
    with tempfile.TemporaryDirectory() as place:
        result, _ = run_once(shipped("recipes") / "quarter-bust.yaml", scan, Path(place))
    return Finding("warm", result.state == "done", result.reason or "compiled; the first job will be fast")
