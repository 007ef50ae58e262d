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
    """Fettlebox, Python, the platform, every library that touches geometry, and every plugin's package."""
    found = {"fettlebox": __version__, "python": platform.python_version()}
    found["platform"] = f"{platform.system()} {platform.machine()}"
    for name in GEOMETRY_LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "absent"
    return found | _plugins()


def _plugins() -> dict[str, str]:
    """The packages that bring steps or graders, other than our own, whether the recipe uses them or not."""
    from .api import ENTRY_POINT_GROUP

    brought = [entry.dist for entry in metadata.entry_points(group=ENTRY_POINT_GROUP) if entry.dist]
    others = {dist.name: dist.version for dist in brought if dist.name != "fettlebox"}
    return {f"plugin {name}": version for name, version in sorted(others.items())}
