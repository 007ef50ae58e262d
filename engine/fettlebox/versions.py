"""The versions that a result depends on."""

from __future__ import annotations

import platform
from functools import cache
from importlib import metadata

from . import __version__

GEOMETRY_LIBRARIES = (
    "numpy", "scipy", "numba", "manifold3d", "libigl", "embreex", "fast-simplification", "shapely",
    "mapbox-earcut", "pillow",
)  # fmt: skip


@cache
def versions_here() -> dict[str, str]:
    """Fettlebox, Python, the platform, and every library that touches geometry."""
    found = {"fettlebox": __version__, "python": platform.python_version()}
    found["platform"] = f"{platform.system()} {platform.machine()}"
    for name in GEOMETRY_LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "absent"
    return found
