"""Parts, the formats they are read from and written to, and what can be measured on them."""

from .part import Part, Plane
from .scan import Origin, Scan

__all__ = ["Origin", "Part", "Plane", "Scan"]
